"""Recordings: the take, and readers for sound, tables and exchange formats."""
