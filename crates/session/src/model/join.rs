//! A scan that is joined from overlapping scans.

use std::iter::once;

use glassine_layout::join::{Affine, Seam};

use super::{Fingerprint, ScanRef};

/// How parts make one picture.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Join {
    /// In the order in which each covers those before it; none is joined itself.
    pub parts: Vec<JoinPart>,
}

/// A scan in its place on the joined picture.
#[derive(Debug, Clone, PartialEq)]
pub struct JoinPart {
    /// The scan and how it is read. Its id is the one it had before it was joined.
    pub scan: ScanRef,
    /// From its pixels to joined pixels.
    pub to_joined: Affine,
    /// Gain and offset (relative to full scale) of each plane.
    pub light: Vec<[f64; 2]>,
    /// Where it takes over from the parts before it.
    pub seams: Vec<Seam>,
}

impl ScanRef {
    /// The scans whose files are read: its parts if it is joined, else itself.
    pub fn parts(&self) -> impl Iterator<Item = &Self> {
        let joined = self.join.iter().flat_map(|join| join.parts.iter().map(|part| &part.scan));
        joined.chain(once(self).filter(|_| self.join.is_none()))
    }

    /// What is known of each of its files, in the order of their paths: of every part the scan, then its infrared.
    pub fn fingerprints(&self) -> impl Iterator<Item = Option<&Fingerprint>> {
        self.parts().flat_map(|part| {
            let infrared = part.infrared_path.is_some().then_some(part.infrared_fingerprint.as_ref());
            once(part.fingerprint.as_ref()).chain(infrared)
        })
    }

    /// Change the entries of its files: every part if it is joined, and itself, which names the file of its first part.
    pub fn change_parts(&mut self, change: impl Fn(&mut Self)) {
        change(self);
        if let Some(join) = &mut self.join {
            std::sync::Arc::make_mut(join).parts.iter_mut().for_each(|part| change(&mut part.scan));
        }
    }
}
