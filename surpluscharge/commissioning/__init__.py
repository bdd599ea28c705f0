"""Commissioning: the daemon led by hand, once, with its owner at the plug."""
