"""A worked example of plug-ins for oscservice."""
