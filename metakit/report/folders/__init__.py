"""Folders of reports: bundles, changes since an earlier report, what is written and removed."""
