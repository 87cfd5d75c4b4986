"""The figures behind visit sheet and comparison, and the exports."""
