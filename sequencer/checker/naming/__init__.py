"""What names mean: what each stands for and where, what of it is known before, and its words."""
