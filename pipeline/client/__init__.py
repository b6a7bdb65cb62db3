"""The client's page: a few tones to listen to, and the answer that comes back."""
