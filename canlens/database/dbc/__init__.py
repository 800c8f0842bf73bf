"""DBC text, entry by entry: what is damaged is mended or dropped alone, and the parser is given the rest."""
