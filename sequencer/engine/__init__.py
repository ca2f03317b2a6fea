"""What turns a checked recipe and a bench into a run: compiled steps, clock, guards, runner."""
