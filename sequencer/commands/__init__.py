"""What each command does: calls the program's functions and shows what came of it."""
