"""One module per command; only typer is imported before a command runs."""
