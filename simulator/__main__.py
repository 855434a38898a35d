"""`python -m simulator` is `fairhearing`."""

from simulator.cli.app import main

if __name__ == "__main__":
    main()
