//! Which page of a TIFF is the scan, and which one is its infrared plane.
//!
//! The choice depends on size and colour: scanners put previews, infrared planes and the scan itself in any order, as
//! pages or inside a page (tag 330), and their marks of reduced pictures (tags 254 and 255) are often missing or wrong.

use super::ifd::{Ifd, TiffFile};
use super::layout::Layout;
use crate::numbers::to_f64;
use crate::{Error, OpenOptions};

/// What a page's tags say, before its blocks are examined.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Facts {
    /// Position in the list of pages.
    at: usize,
    width: u64,
    height: u64,
    is_colour: bool,
    /// Marked as a smaller copy of another picture.
    is_reduced: bool,
    /// The page that contains it, counted from 1.
    inside: Option<usize>,
}

impl Facts {
    /// `None` for masks and for pages without a size.
    fn of(tiff: &TiffFile, at: usize, page: &Ifd) -> Option<Self> {
        let value = |tag| tiff.uint(page, tag).ok().flatten();
        let kind = value(254).unwrap_or(0);
        let colours = value(262);
        if kind & 4 != 0 || colours == Some(4) {
            return None;
        }
        let is_colour = match colours {
            Some(0 | 1) => false,
            Some(_) => true,
            None => value(277).unwrap_or(1) >= 3,
        };
        let size = |tag| value(tag).filter(|side| (1..1 << 31).contains(side));
        Some(Self {
            at,
            width: size(256)?,
            height: size(257)?,
            is_colour,
            is_reduced: kind & 1 == 1 || value(255) == Some(2),
            inside: page.inside,
        })
    }

    fn area(&self) -> u128 {
        u128::from(self.width) * u128::from(self.height)
    }

    /// Whether both sides are at least half of the other's.
    fn is_half_of(&self, other: &Self) -> bool {
        self.width * 2 >= other.width && self.height * 2 >= other.height
    }

    fn is_size_of(&self, other: &Self) -> bool {
        (self.width, self.height) == (other.width, other.height)
    }

    /// The same shape within 2 %; rounding of a smaller copy stays below that.
    fn is_shape_of(&self, other: &Self) -> bool {
        let shape = |facts: &Self| to_f64(facts.width) / to_f64(facts.height);
        (0.98..=1.02).contains(&(shape(self) / shape(other)))
    }

    /// `page 2 (1200 x 900 px, grey)`.
    fn name(&self) -> String {
        let kind = if self.is_colour { "colour" } else { "grey" };
        let inside = self.inside.map(|page| format!(", inside page {page}")).unwrap_or_default();
        format!("page {} ({} x {} px, {kind}{inside})", self.at + 1, self.width, self.height)
    }
}

/// The pages of a file that are pictures.
#[derive(Debug)]
pub(super) struct Pages {
    all: Vec<Facts>,
    /// Pages in the file, whether pictures or not.
    count: usize,
}

impl Pages {
    pub(super) fn of(tiff: &TiffFile) -> Self {
        let facts = tiff.pages.iter().enumerate().filter_map(|(at, page)| Facts::of(tiff, at, page));
        Self { all: facts.collect(), count: tiff.pages.len() }
    }

    fn list(&self) -> String {
        let names: Vec<String> = self.all.iter().map(Facts::name).collect();
        names.join(", ")
    }

    /// Position of the page that is the scan.
    pub(super) fn scan(&self, tiff: &TiffFile, options: &OpenOptions) -> Result<usize, Error> {
        let Some(number) = options.page else { return Ok(self.automatic_scan()) };
        let wanted = (number as usize).checked_sub(1);
        match self.all.iter().find(|facts| Some(facts.at) == wanted) {
            Some(facts) => Ok(facts.at),
            None => Err(no_such_page(tiff, number, self.count, &self.list())),
        }
    }

    /// Colour before grey, unless the colour page is small compared with the grey one; the largest of them; of nearly
    /// equal ones the first, preferably one that is not marked as reduced.
    fn automatic_scan(&self) -> usize {
        let Some(largest) = self.all.iter().max_by_key(|facts| facts.area()) else { return 0 };
        let full: Vec<&Facts> = self.all.iter().filter(|facts| facts.is_half_of(largest)).collect();
        let any_colour = full.iter().any(|facts| facts.is_colour);
        let fits = |facts: &&&Facts| facts.is_colour || !any_colour;
        let most = full.iter().filter(fits).map(|facts| facts.area()).max().unwrap_or(0);
        let is_large = |facts: &&&Facts| facts.area() * 10 >= most * 9;
        full.iter()
            .filter(fits)
            .filter(is_large)
            .min_by_key(|facts| (facts.is_reduced, facts.at))
            .map_or(0, |facts| facts.at)
    }

    /// Position and layout of a grey page that belongs to the scan: of its size if there is one, else of its shape and
    /// at least half its size.
    pub(super) fn infrared(
        &self,
        tiff: &TiffFile,
        scan: usize,
        options: &OpenOptions,
    ) -> Option<(usize, Layout)> {
        let main = self.all.iter().find(|facts| facts.at == scan)?;
        let others = || self.all.iter().filter(|facts| facts.at != scan);
        // A grey picture among many grey pages is one of a set, not a scan with infrared.
        if !main.is_colour && others().filter(|other| other.is_half_of(main)).count() != 1 {
            return None;
        }
        let same = others().filter(|other| other.is_size_of(main));
        let alike = others().filter(|other| {
            !other.is_size_of(main) && !other.is_reduced && other.is_half_of(main) && other.is_shape_of(main)
        });
        same.chain(alike).find_map(|other| {
            let layout = Layout::of_page(tiff, tiff.pages.get(other.at)?, options).ok()?;
            (layout.colours == 1).then_some((other.at, layout))
        })
    }

    /// The choice that was made, if there was one to make.
    pub(super) fn note(&self, scan: usize, infrared: Option<usize>) -> Option<String> {
        if self.count < 2 {
            return None;
        }
        let name = |at: usize| {
            let known = self.all.iter().find(|facts| facts.at == at);
            known.map_or_else(|| format!("page {}", at + 1), Facts::name)
        };
        let mut note = format!("the file has {} pages; {} is used", self.count, name(scan));
        if let Some(infrared) = infrared {
            note += &format!(", {} is taken as infrared", name(infrared));
        }
        let is_left = |facts: &&Facts| facts.at != scan && Some(facts.at) != infrared;
        let left: Vec<String> = self.all.iter().filter(is_left).map(Facts::name).collect();
        if !left.is_empty() {
            note += &format!("; left out: {}", left.join(", "));
        }
        if self.all.iter().any(|facts| facts.at == scan && facts.is_reduced) {
            note += "; it is marked as a smaller copy, so look for the full scan";
        }
        Some(note)
    }
}

fn no_such_page(tiff: &TiffFile, number: u32, count: usize, list: &str) -> Error {
    let found = format!("page {number} of a file with {count}");
    Error::unsupported(tiff.file.path(), found, format!("choose one of: {list}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(at: usize, (width, height): (u64, u64), is_colour: bool, is_reduced: bool) -> Facts {
        Facts { at, width, height, is_colour, is_reduced, inside: None }
    }

    fn chosen(all: &[((u64, u64), bool, bool)]) -> usize {
        let all: Vec<Facts> = all
            .iter()
            .enumerate()
            .map(|(at, (size, is_colour, is_reduced))| facts(at, *size, *is_colour, *is_reduced))
            .collect();
        Pages { count: all.len(), all }.automatic_scan()
    }

    #[test]
    fn the_scan_is_the_largest_colour_page_whatever_the_order_and_the_marks() {
        let (full, half, small) = ((1200, 900), (600, 450), (55, 41));
        assert_eq!(chosen(&[(full, false, false), (full, true, false)]), 1, "infrared first");
        assert_eq!(chosen(&[(small, true, false), (full, true, false)]), 1, "a thumbnail without a mark");
        assert_eq!(
            chosen(&[(small, true, false), (full, false, false)]),
            1,
            "a grey scan, a colour thumbnail"
        );
        assert_eq!(chosen(&[(half, true, false), (full, true, false), (full, true, false)]), 1);
        assert_eq!(chosen(&[(full, true, true), (full, true, false)]), 1, "the unmarked one of two alike");
        assert_eq!(chosen(&[(small, true, false), (full, true, true)]), 1, "a wrong mark on the full scan");
        assert_eq!(chosen(&[((1190, 900), true, false), (full, true, false)]), 0, "two scans of one size");
    }
}
