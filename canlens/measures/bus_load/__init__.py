"""Bus load: the bit rate and the share of time for which frames hold the bus."""
