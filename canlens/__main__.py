"""Entry point of ``canlens`` and ``python -m canlens``."""

from __future__ import annotations

from canlens.cli import main

__all__ = ["main"]

if __name__ == "__main__":
    main()
