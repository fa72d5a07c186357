"""How fast the stages are, side by side with other open readers and with floors, in one run."""
