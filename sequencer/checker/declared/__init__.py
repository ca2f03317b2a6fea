"""What a recipe declares: that it is right in itself, and that what the steps need is there."""
