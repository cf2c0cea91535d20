"""What people read: the verdict and its rows of words, the page, and the reports of every command."""
