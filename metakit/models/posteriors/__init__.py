"""Models with priors, integrated without sampling."""
