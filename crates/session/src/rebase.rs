//! Stand-in.
use crate::{Edit, Session};
/// R.
#[derive(Debug, Clone)]
pub struct Rebased {
    /// S.
    pub session: Session,
    /// A.
    pub applied: Vec<Edit>,
    /// D.
    pub dropped: Vec<String>,
}
/// R.
pub fn rebase(_base: &Session, edits: &[Edit], current: &Session) -> Rebased {
    let mut session = current.clone();
    let mut dropped = Vec::new();
    let mut applied = Vec::new();
    for edit in edits {
        match edit.apply(&session) {
            Ok(next) => { session = next; applied.push(edit.clone()); }
            Err(error) => dropped.push(error.to_string()),
        }
    }
    Rebased { session, applied, dropped }
}
