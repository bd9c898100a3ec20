"""The page, and the script of its live formula."""
