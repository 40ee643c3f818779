"""Training and evaluation of the looseness model (needs the ``training`` extra)."""
