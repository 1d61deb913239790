//! The steps of the job: each reads the season, does one stage's work, writes to `results/`.
