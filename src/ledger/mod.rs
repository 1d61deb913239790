//! The ledger: all patches with their ground checks, the season's memory.
