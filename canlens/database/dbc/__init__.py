"""DBC text: where its entries stand, and what is done with a file that the parser refuses."""
