"""The data in forms that others open: tables, a workbook, a Darwin Core Archive, sites, and the evidence."""

FORMATS = {
    "tables": "tidy CSV with a Data Package descriptor, in tables/",
    "workbook": "one Excel workbook, survey.xlsx",
    "darwin-core": "a Darwin Core Archive, darwin-core.zip",
    "sites": "the sites as GeoJSON, sites.geojson",
    "evidence": "photographs, pages, crops, readings and entries with their hashes, in evidence/",
}
PARTS = ("tables", "survey.xlsx", "darwin-core.zip", "sites.geojson", "evidence")  # files and folders they become
USUAL = tuple(f for f in FORMATS if f != "evidence")
