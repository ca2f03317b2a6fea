"""What an expression is: its unit and kind, and what calls and results make of others."""
