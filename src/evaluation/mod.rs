//! Out-of-group predictions and honest figures of merit with intervals.
