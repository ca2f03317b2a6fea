"""What a person is shown of checks and runs: plain text, and the view of a run that goes on."""
