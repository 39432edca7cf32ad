//! The integration tests as one program: linked once, and run side by side.

mod film_damage;
mod limits;
mod reference_values;
mod repair;
