"""The invented railway: demo data, loaded through the same actions that people use."""
