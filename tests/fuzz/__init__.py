"""Anything at all put into what reads bytes from outside: the laws that must hold, and the seeds to start from.

`targets`: a law for each reader. `shapes`: bytes into frames, so that mutations get past the checks. `mutate`: our own
mutations, where the coverage-guided fuzzer cannot run. `python -m tests.fuzz TARGET EXECUTIONS` runs one.
"""
