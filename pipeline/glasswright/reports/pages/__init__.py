"""The ledger as static pages: they open from a file, fetch nothing from outside, and know no optics."""
