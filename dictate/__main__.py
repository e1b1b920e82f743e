"""`python -m dictate`."""

from dictate.cli import app

app()
