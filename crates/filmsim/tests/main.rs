//! The integration tests as one program: linked once, and run side by side.

mod descriptions;
mod strips;
