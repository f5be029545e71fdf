"""The media: PDF, page for the screen, workbook, data files."""
