"""Benchmarks: whole processes against the tools that they replace. `python -m tests.bench`."""
