"""``python -m reconcile``: the command line."""

from reconcile.cli import main

if __name__ == "__main__":
    main()
