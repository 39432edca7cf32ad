//! The integration tests as one program: linked once, and run side by side.

mod edge_codes;
mod join;
mod robust;
mod strips;
