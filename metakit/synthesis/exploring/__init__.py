"""Why studies differ: moderators, their shapes and credibility."""
