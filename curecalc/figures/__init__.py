"""Figures: functions that draw results on given axes. They read no files and compute no physics of their own."""
