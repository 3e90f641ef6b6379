"""The job card: what it shows, its figures, and how it becomes a PDF."""
