"""What is computed from a record, one module for each kind of computation."""
