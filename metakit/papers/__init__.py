"""Papers as PDF: pages as pictures, words with their places, read in a child process that has limits."""
