"""The oracle: the record read and recomputed a second time, slowly and plainly, and held against what is
kept.

Nothing here shares code with the electrical computation, the limits, the recheck or the findings: only the
tables of the record and the dates of its steps are common ground.
"""
