"""`python -m generator.cli` is `chartbed`."""

from generator.cli import main

if __name__ == "__main__":
    main()
