"""Long runs and benchmarks: run by hand, never by the test command."""
