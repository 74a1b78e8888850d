"""`python -m gatekeep`."""

from gatekeep.cli.main import main

if __name__ == "__main__":
    main()
