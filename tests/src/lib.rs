//! End-to-end tests live in `tests/`.
