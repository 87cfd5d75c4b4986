"""The demo's invented wash: its site file and the script of its virtual pumps."""
