"""Vectors that two languages must agree on: recordings as small whole numbers, and the answers."""
