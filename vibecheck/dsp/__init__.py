"""Signal core: pure functions on arrays and numbers; no files, clocks, cars or takes."""
