"""The physics used backwards: pump, lines and air, and the installation check."""
