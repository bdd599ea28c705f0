"""Charges an electric car from solar surplus through a switched, fixed-rate charge lead."""

__version__ = "0.1.0"
