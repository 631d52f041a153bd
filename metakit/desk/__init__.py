"""The desk: a review in the browser of one's own computer, kept in the review's own plain files."""
