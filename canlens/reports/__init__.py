"""Reports: results in, text, JSON or pages out; nothing is computed here but rounding."""
