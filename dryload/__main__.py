"""`python -m dryload` is the same as `dryload`."""

from dryload.harness.cli.main import main

if __name__ == "__main__":
    main()
