"""Commands of their own file: each parses, calls, prints and exits. Only click is imported before one runs."""
