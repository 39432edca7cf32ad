//! Which part of a box a pointer takes hold of.
