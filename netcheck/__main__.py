"""`python -m netcheck` is the same as `netcheck`."""

from __future__ import annotations

from netcheck.cli import main

if __name__ == "__main__":  # worker processes import this file again
    main()
