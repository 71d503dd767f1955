"""The benchmarks: ours and a yardstick measured side by side in one process, printed as ratios.

`manage.py bench` runs them, each in a process of its own, so that peak memory is its own too. No test times
anything; a file here is one benchmark, and its ``CASES`` are what can be asked of it.
"""
