"""The invented example: its hidden truth and the script that writes its files."""
