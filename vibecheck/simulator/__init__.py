"""Equations of motion of a car on the bench (needs the ``simulator`` extra).

Shares no analysis code with the rest, so that its tests are evidence.
"""
