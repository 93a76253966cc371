"""`python -m syncbox` is the same as `syncbox`."""

from syncbox.cli.main import main

main()
