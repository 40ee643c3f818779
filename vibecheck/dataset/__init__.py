"""Labelled takes: the manifest and its checks, simulated takes, the plan of the demo set."""
