"""Uploads: files on their way from a browser into the garage.

| module | what it holds |
|---|---|
| `wish` | what a browser wishes to send, checked |
| `state` | one upload and its state on the disk |
| `store` | all of them: who may go on with which, limits, sweeping |
| `content` | what a file holds, found out in a process of its own |
| `probe` | that process |
| `look` | quality and first zones of a staged take; keeping it |
"""
