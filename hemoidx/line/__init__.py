"""The measuring chain: what stands between the artery and the number."""
