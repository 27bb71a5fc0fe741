"""Know the beam: radius, shape, focus and power from what a shop can measure."""
