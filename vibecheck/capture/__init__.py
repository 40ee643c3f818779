"""Recording at the bench: levels, throttle script, sound cards, sensor boards, files."""
