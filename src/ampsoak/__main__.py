"""``python -m ampsoak`` is the command ``ampsoak``."""

from ampsoak.cli.main import main

if __name__ == "__main__":
    main()
