"""Drawing and printing: figures, tables, notebook to PDF."""
