"""One module a version; a published one is never changed."""
