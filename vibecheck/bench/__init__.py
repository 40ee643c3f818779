"""The job at the bench, once for both faces: judge and keep takes, walk the hand check, history."""
