"""Traffic: the messages of a bus – rhythm, silences, senders, counters, and how they fit the databases."""
