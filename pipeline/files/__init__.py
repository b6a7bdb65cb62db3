"""Audio, manifests and records on the disk, and how to write and lose nothing."""
