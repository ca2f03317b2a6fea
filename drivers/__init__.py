"""What stands on the bench: channels, their specifications, simulated parts, the VISA way.

The package knows quantities and time; it knows no recipe. Nothing heavy is imported here.
"""
