"""The working view: a scaled plan to stake lamps out from, and beams drawn over the day-lit site."""
