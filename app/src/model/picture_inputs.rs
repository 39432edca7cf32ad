//! Everything a picture or a count of a frame depends on, and whether two states of it are the same.

use std::sync::Arc;

use glassine_film::Stock;
use glassine_session::{Fingerprint, Frame, ScanRef, Session, Strip};

/// Everything a picture depends on besides its place on screen.
#[derive(Debug, Clone)]
pub(crate) struct Inputs {
    frame: Option<Arc<Frame>>,
    strip: Option<Arc<Strip>>,
    scan: Option<Arc<ScanRef>>,
    /// The session's own stock, when the strip uses one.
    own_stock: Option<Arc<Stock>>,
    space: String,
    rendering: String,
}

impl Inputs {
    /// Inputs of a frame, or of a scan alone.
    pub(crate) fn of(session: &Session, frame: Option<&Arc<Frame>>, scan: Option<&Arc<ScanRef>>) -> Self {
        let scan = scan.or_else(|| frame.and_then(|frame| session.context(frame)).map(|(_, scan)| scan));
        let strip = frame.and_then(|frame| session.strip(frame.strip));
        Self {
            frame: frame.cloned(),
            strip: strip.cloned(),
            scan: scan.cloned(),
            own_stock: strip.and_then(|strip| session.stock(&strip.stock_id)).cloned(),
            space: session.output.space.clone(),
            rendering: session.output.rendering.clone(),
        }
    }

    /// Whether there is a frame with its scan.
    pub(crate) fn has_frame(&self) -> bool {
        self.frame.is_some() && self.scan.is_some()
    }

    /// Whether there is a scan.
    pub(crate) fn has_scan(&self) -> bool {
        self.scan.is_some()
    }

    /// Whether a result made from `other` is still valid.
    pub(crate) fn same(&self, other: &Self) -> bool {
        same_by(self.frame.as_ref(), other.frame.as_ref(), same_frame)
            && same_by(self.strip.as_ref(), other.strip.as_ref(), same_strip)
            && same_by(self.scan.as_ref(), other.scan.as_ref(), same_scan)
            && same_by(self.own_stock.as_ref(), other.own_stock.as_ref(), |a, b| a == b)
            && self.space == other.space
            && self.rendering == other.rendering
    }
}

/// Whether both are the same object, or alike.
fn same_by<T>(a: Option<&Arc<T>>, b: Option<&Arc<T>>, alike: impl Fn(&T, &T) -> bool) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => Arc::ptr_eq(a, b) || alike(a, b),
        (None, None) => true,
        _ => false,
    }
}

/// Number, name and remarks of a frame do not change its picture.
fn same_frame(a: &Frame, b: &Frame) -> bool {
    a.crop == b.crop
        && a.orientation == b.orientation
        && a.image_area == b.image_area
        && a.look == b.look
        && a.strokes == b.strokes
        && a.solve == b.solve
        && a.strip == b.strip
}

pub(crate) fn same_strip(a: &Strip, b: &Strip) -> bool {
    a.film == b.film
        && a.stock_id == b.stock_id
        && a.base == b.base
        && a.mask_tolerance_d == b.mask_tolerance_d
        && a.unmix_strength == b.unmix_strength
        && a.balance == b.balance
        && a.solve == b.solve
}

/// The full hash arrives long after the pictures, which do not depend on it.
pub(crate) fn same_scan(a: &ScanRef, b: &ScanRef) -> bool {
    a.path == b.path
        && a.infrared_path == b.infrared_path
        && a.reads_like(b)
        && same_print(a.fingerprint.as_ref(), b.fingerprint.as_ref())
        && same_print(a.infrared_fingerprint.as_ref(), b.infrared_fingerprint.as_ref())
}

fn same_print(a: Option<&Fingerprint>, b: Option<&Fingerprint>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => {
            a.bytes == b.bytes
                && same_if_known(&a.sampled_blake3, &b.sampled_blake3)
                && same_if_known(&a.blake3, &b.blake3)
        }
        _ => true,
    }
}

fn same_if_known(a: &Option<String>, b: &Option<String>) -> bool {
    a.is_none() || b.is_none() || a == b
}
