"""Figures that hold up: rates, control charts, Pareto lists, and the report of a day."""
