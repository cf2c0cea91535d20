"""A solution to the result tables, one file each: row order of the tables that went in, NaN where undefined."""
