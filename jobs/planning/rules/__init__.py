"""What is allowed in planning and why not, as pure functions that return reasons."""
