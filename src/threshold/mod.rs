//! Where to set the cut, what it will cost and how sure that is.
