"""The domain: one room for each part of the shop's work."""
