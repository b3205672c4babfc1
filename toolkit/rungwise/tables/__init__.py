"""From files to checked tables: schemas, reading, and every problem found in one pass."""
