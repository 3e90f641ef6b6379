"""The reference angle of each kind of datum."""
