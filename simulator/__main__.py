"""`python -m simulator` is `fairhearing`."""

from simulator.app import main

if __name__ == "__main__":
    main()
