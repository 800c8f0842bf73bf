"""Reports: results in, text or JSON out; nothing is computed here but rounding."""
