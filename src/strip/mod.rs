//! Strips: scoring, candidates and their places.
