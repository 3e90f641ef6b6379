"""The numerics of Midflank: pure functions, without Django, database, clock or network."""
