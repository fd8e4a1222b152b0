"""`python -m glasswright`: the command line where its script is not on the path."""

from glasswright.commands.main import main

if __name__ == "__main__":
    main()
