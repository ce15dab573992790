"""Start of the command: python -m instrument.cli."""

from instrument.cli.main import main

if __name__ == "__main__":
    main()
