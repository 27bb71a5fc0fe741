"""The logbook: entries that are only ever added, charts of what was recorded, the status of a machine."""
