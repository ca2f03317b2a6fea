"""The simulated bench: instruments of given specifications on parts with their real physics."""
