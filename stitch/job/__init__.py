"""The job folder: paths, whole writes, checksums, fingerprints, the lock."""
