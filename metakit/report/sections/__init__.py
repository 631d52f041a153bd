"""The sections of the report, one module each; the order stands in metakit.report.registry."""
