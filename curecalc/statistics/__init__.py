"""Lines and their intervals, diagnostics, least squares, uncertainty, control charts and trends: plain numbers in, plain numbers out."""
