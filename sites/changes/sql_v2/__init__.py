"""What of ``sql_v1`` was written anew since: its functions, their names and what they hold a write to stay.

Frozen like it: migrations that have run somewhere import it.
"""
