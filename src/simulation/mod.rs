//! Forward simulation: what a rig would record of an emission.
