//! The next walk: what to check, and how many more checks are needed.
