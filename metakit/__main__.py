"""Run the command line as ``python -m metakit``."""

from metakit.cli.app import main

if __name__ == "__main__":
    main()
