"""Files of tables from other people, read safely into raw cells."""
