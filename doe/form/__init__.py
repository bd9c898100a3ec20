"""A workbook to fill instead of study.toml, and its reader."""
