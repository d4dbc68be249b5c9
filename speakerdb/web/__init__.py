"""The pages in the browser and the same answers as JSON: thin, no arithmetic."""
