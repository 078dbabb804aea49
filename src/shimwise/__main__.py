"""``python -m shimwise``: the same door as the ``shimwise`` command."""

from shimwise.cli import main

if __name__ == "__main__":
    main()
