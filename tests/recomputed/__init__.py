"""The record read and recomputed a second time, slowly and plainly, and held against what the service says.

Nothing here shares code with the electrical computation, the limits, the recheck or the findings: only the
tables of the record and the days of its steps are common ground.
"""
