"""The commands, one module for each group; `dictate.cli` puts them together."""
