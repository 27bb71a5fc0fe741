"""From machine, resin and needs to settings: limits, the search for the fastest settings, assurance, window, rates."""
