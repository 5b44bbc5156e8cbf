"""What people look at: the report of a quarter as one HTML file, and the workbook of a plan."""
