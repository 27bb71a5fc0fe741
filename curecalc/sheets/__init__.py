"""Sheets people print: they lay out results and compute nothing."""
