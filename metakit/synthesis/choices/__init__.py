"""The same question under other choices and without each study."""
