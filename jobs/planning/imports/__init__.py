"""Absences that come as files: each entry is read on its own, so that a bad one never blocks a good one."""
