"""What each drawn component shows: one function for a component, from values to the context of its template."""
