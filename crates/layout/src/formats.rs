//! Nominal film formats, kept as a table beside the code.
//!
//! Only film width and perforations are standardised (ISO 1007, ISO 732, ISO 1012); the image opening depends on the
//! camera. Every size here is therefore a starting value, and the finder measures the real edges.

use std::sync::OnceLock;

#[derive(Debug, Clone, PartialEq)]
pub struct Format {
    /// Stable name used in files and on the command line, such as `135` or `6x4.5`.
    pub id: &'static str,
    /// Name shown to the user.
    pub label: &'static str,
    /// Image side along the strip, mm.
    pub along_mm: f64,
    /// Image side across the strip, mm.
    pub across_mm: f64,
    /// Width of the film itself, mm.
    pub strip_width_mm: Option<f64>,
    /// Distance from one frame to the next, mm, if the film fixes it.
    pub pitch_mm: Option<f64>,
    pub perforated: bool,
    /// Where the numbers come from.
    pub source: &'static str,
}

impl Format {
    /// Image side along the strip divided by the side across.
    pub fn aspect(&self) -> f64 {
        self.along_mm / self.across_mm
    }

    /// Nominal distance from frame to frame, mm; the image plus a gap of 5 mm where the film does not fix it.
    ///
    /// Source: 38.000 mm for eight perforations; roll-film gaps vary with the camera, 5 mm is a middle value from
    /// memory.
    pub fn nominal_pitch_mm(&self) -> f64 {
        self.pitch_mm.unwrap_or(self.along_mm + 5.0)
    }
}

/// A size typed by the user, in millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CustomFormat {
    /// Image side along the strip, mm.
    pub along_mm: f64,
    /// Image side across the strip, mm.
    pub across_mm: f64,
    /// Width of the film, mm, if known.
    pub strip_width_mm: Option<f64>,
    /// Distance from frame to frame, mm, if known.
    pub pitch_mm: Option<f64>,
}

impl CustomFormat {
    /// Converts to a [`Format`] with the id `custom`; `None` when a size is not a positive number of at most 2000 mm.
    pub fn to_format(self) -> Option<Format> {
        // 2 m: longer than any film that is scanned. Our choice.
        let sane = |v: f64| v.is_finite() && v > 0.0 && v <= 2000.0;
        let optional = |v: Option<f64>| v.is_none_or(sane);
        (sane(self.along_mm)
            && sane(self.across_mm)
            && optional(self.strip_width_mm)
            && optional(self.pitch_mm))
        .then_some(Format {
            id: "custom",
            label: "custom",
            along_mm: self.along_mm,
            across_mm: self.across_mm,
            strip_width_mm: self.strip_width_mm,
            pitch_mm: self.pitch_mm,
            perforated: false,
            source: "typed by the person",
        })
    }
}

/// All known formats, from small to large.
pub fn formats() -> &'static [Format] {
    static TABLE: OnceLock<Vec<Format>> = OnceLock::new();
    TABLE.get_or_init(|| include_str!("formats.tsv").lines().filter_map(parse_line).collect())
}

pub fn format_by_id(id: &str) -> Option<&'static Format> {
    formats().iter().find(|f| f.id == id)
}

/// The format for an id: one from the table, or a custom size such as `40x65mm` (along by across the strip).
pub fn format_of(id: &str) -> Option<Format> {
    if let Some(known) = format_by_id(id) {
        return Some(known.clone());
    }
    let (along, across) = id.strip_suffix("mm")?.split_once(['x', '×'])?;
    let side = |text: &str| text.trim().parse::<f64>().ok();
    CustomFormat { along_mm: side(along)?, across_mm: side(across)?, strip_width_mm: None, pitch_mm: None }
        .to_format()
}

fn parse_line(line: &'static str) -> Option<Format> {
    if line.starts_with('#') {
        return None;
    }
    let mut cells = line.split('\t');
    Some(Format {
        id: cells.next()?,
        label: cells.next()?,
        along_mm: cells.next()?.parse().ok()?,
        across_mm: cells.next()?.parse().ok()?,
        strip_width_mm: cells.next()?.parse().ok(),
        pitch_mm: cells.next()?.parse().ok(),
        perforated: cells.next()? == "yes",
        source: cells.next()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_line_of_the_table_is_read_and_ids_are_unique() {
        let lines = include_str!("formats.tsv").lines().filter(|l| !l.starts_with('#')).count();
        assert_eq!(formats().len(), lines);
        assert_eq!(lines, 15);
        let mut ids: Vec<_> = formats().iter().map(|f| f.id).collect();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), lines);
    }

    #[test]
    fn an_image_fits_on_its_film_and_between_its_neighbours() {
        for f in formats() {
            assert!(f.strip_width_mm.is_none_or(|w| w > f.across_mm), "{}", f.id);
            assert!(f.pitch_mm.is_none_or(|p| p > f.along_mm), "{}", f.id);
            assert!(!f.source.is_empty());
        }
    }

    #[test]
    fn a_strip_of_six_35_mm_frames_is_226_mm_from_first_to_last_edge() {
        let f = format_by_id("135").expect("in the table");
        let centres: Vec<f64> =
            (0..6).map(|k| f.along_mm / 2.0 + f.nominal_pitch_mm() * f64::from(k)).collect();
        assert_eq!(centres, [18.0, 56.0, 94.0, 132.0, 170.0, 208.0]);
        assert_eq!(5.0 * f.nominal_pitch_mm() + f.along_mm, 226.0);
    }

    #[test]
    fn sizes_in_pixels_follow_the_resolution() {
        let format = format_by_id("6x17").expect("in the table");
        let ppi = glassine_raster::ResolutionPpi::new(2400.0).expect("positive");
        let sides = [format.along_mm, format.across_mm].map(|mm| ppi.px_from_mm(mm).round());
        assert_eq!(sides, [15874.0, 5291.0]);
    }

    #[test]
    fn an_id_names_a_known_format_or_a_size_of_ones_own() {
        assert_eq!(format_of("6x9").map(|f| f.id), Some("6x9"));
        let own = format_of("40x65mm").expect("a size");
        assert_eq!((own.along_mm, own.across_mm), (40.0, 65.0));
        for wrong in ["6x5", "x65mm", "40x-1mm", "40x65", "nanx65mm", ""] {
            assert!(format_of(wrong).is_none(), "{wrong}");
        }
    }

    #[test]
    fn a_custom_size_must_be_a_positive_number() {
        let good = CustomFormat { along_mm: 57.0, across_mm: 40.0, strip_width_mm: None, pitch_mm: None };
        assert!(good.to_format().is_some());
        assert!(CustomFormat { along_mm: -1.0, ..good }.to_format().is_none());
        assert!(CustomFormat { pitch_mm: Some(f64::NAN), ..good }.to_format().is_none());
    }
}
