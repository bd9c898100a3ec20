"""What goes to the bench: sheets, labels, workbooks, the formula card."""
