//! What the user does to a value with pointer or keys.

/// A user action on a value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ValueGesture<T> {
    /// A gesture begins.
    Begin,
    /// The current value of the gesture.
    Set(T),
    /// The gesture ends.
    Commit,
    /// The gesture is undone.
    Cancel,
    /// Back to the default.
    Reset,
}
