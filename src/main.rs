//! The command: a thin table of steps over the library.

fn main() {}
