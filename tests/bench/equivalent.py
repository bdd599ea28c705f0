"""Changes of the program that change nothing it does; why nothing can notice them. For tests/bench/mutants.py."""

# (module, text before, text after): reason
EQUIVALENT: dict[tuple[str, str, str], str] = {}
