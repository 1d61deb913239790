//! What this process has used (Linux; absent elsewhere).

use std::fs::read_to_string;

/// Seconds of processor time in the program itself, all threads together.
pub fn user_seconds() -> Option<f64> {
    let stat = read_to_string("/proc/self/stat").ok()?;
    // The name of the program may hold spaces; fields are counted from its closing parenthesis.
    let after = stat.rsplit_once(')')?.1;
    let ticks: f64 = after.split_whitespace().nth(11)?.parse().ok()?;
    Some(ticks / 100.0)
}

/// The largest memory held so far, in MB.
pub fn peak_mb() -> Option<f64> {
    let status = read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    let kb: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kb / 1024.0)
}
