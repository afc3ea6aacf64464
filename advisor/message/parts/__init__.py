"""Parts of the digest, one file each; ``registry`` lists them in reading order."""
