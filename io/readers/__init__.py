"""Where a job comes from: a folder of tables, a field book, a workbook, LandXML; all become the same text tables."""
