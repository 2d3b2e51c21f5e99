"""The placement sheet: a plan to print and pin up, as PDF."""
