"""The session day: what the person at the amp needs while the mics still stand."""
