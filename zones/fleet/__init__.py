"""Synthetic fleets: plausible sites with histories of years, for benchmarks, rehearsals and demonstrations.

``plan`` says what stands and what happened, by pure functions of a seed; ``writer`` puts it into the record
through the same tables, triggers and change sets as everything else. Everything is invented.
"""
