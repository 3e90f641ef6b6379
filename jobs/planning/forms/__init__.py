"""What is typed on the pages of the plan."""
