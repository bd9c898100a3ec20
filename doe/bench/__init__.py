"""What goes to the bench and comes back: workbook, headings, levels, readings."""
