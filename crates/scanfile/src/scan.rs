//! An open scan: its planes at full resolution, region by region.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_raster::{
    CancelToken, Orientation, PixelRect, RegionError, RegionSource, ResolutionPpi, Samples16, reserve,
};

use crate::icc::parse_profile;
use crate::numbers::{to_u8, to_u32, whole_u16, whole_u32};
use crate::protect::{ProtectedFile, protect_open};
use crate::read::{BoxReducer, Opened, Picture, Positioned, Reduction, open_picture, reduce_by_regions};
use crate::{Encoding, Error, InfraredSource, Linearisation, OpenOptions, PlaneKind, ScanInfo};

/// An open scan. Reading never changes the file and never turns the picture.
#[derive(Debug)]
pub struct Scan {
    info: ScanInfo,
    pub(crate) picture: Box<dyn Picture>,
    pub(crate) separate_infrared: Option<SeparateInfrared>,
    linearisation: Linearisation,
    infrared_file: Option<PathBuf>,
    files: Vec<HeldFile>,
}

/// A file of a scan: held open, so that no other file can take its place, and protected from being written.
#[derive(Debug)]
struct HeldFile {
    file: Arc<Positioned>,
    _guard: ProtectedFile,
}

impl HeldFile {
    fn new(file: &Arc<Positioned>) -> Self {
        Self { file: Arc::clone(file), _guard: protect_open(file.path(), file.handle()) }
    }
}

/// An infrared plane that is a separate picture, perhaps of another size.
#[derive(Debug)]
pub(crate) struct SeparateInfrared {
    plane: Box<dyn Picture>,
    width: u32,
    height: u32,
}

impl Scan {
    /// Open a TIFF, PNG or JPEG; the format is recognised from the bytes, not from the name.
    pub fn open(path: &Path, options: &OpenOptions) -> Result<Self, Error> {
        let mut opened = open_picture(path, options)?;
        let (width_px, height_px) = opened.picture.size();
        let mut notes = std::mem::take(&mut opened.notes);
        let mut infrared = opened.infrared;
        let mut separate = opened.second_page.take();
        let mut infrared_held = None;
        if let Some(file) = &options.infrared_file {
            let (plane, held) = open_infrared_file(file, options)?;
            (separate, infrared_held) = (Some(plane), Some(held));
            infrared = InfraredSource::SeparateFile;
            if opened.infrared == InfraredSource::ExtraSample {
                // The extra sample stays in the file; only the file that the user named is used.
                let ignore = OpenOptions { fourth_sample: crate::FourthSample::Ignore, ..options.clone() };
                opened = open_picture(path, &ignore)?;
                notes.push("the scan's own infrared channel was left out for the separate file".into());
            }
        }
        let separate_infrared =
            separate.map(|plane| SeparateInfrared { plane, width: width_px, height: height_px });
        if let Some(separate) = &separate_infrared {
            notes.extend(separate.size_note(path)?);
        }
        let mut planes = match opened.colours {
            1 => vec![PlaneKind::Grey],
            _ => vec![PlaneKind::Red, PlaneKind::Green, PlaneKind::Blue],
        };
        if infrared != InfraredSource::None {
            planes.push(PlaneKind::Infrared);
        }
        let encoding_is_unstated =
            opened.icc.is_none() && (opened.untagged_note.is_some() || opened.container.starts_with("TIFF"));
        let (encoding, linearisation) = linearisation_of(&opened, options, &mut notes);
        notes.extend(uneven_resolution(opened.ppi));
        notes.extend(opened.damage.clone());
        let files = [HeldFile::new(&opened.file)].into_iter().chain(infrared_held).collect();
        let Opened {
            picture, page, pages, ppi, bits, container, icc, orientation, scanned_at, damage, ..
        } = opened;
        let info = ScanInfo {
            path: path.to_owned(),
            page,
            pages,
            width_px,
            height_px,
            ppi: ppi.and_then(|[x, y]| Some([ResolutionPpi::new(x)?, ResolutionPpi::new(y)?])),
            planes,
            bits_per_sample: bits,
            container,
            icc,
            infrared,
            encoding,
            encoding_is_unstated,
            orientation,
            scanned_at,
            damage,
            notes,
        };
        Ok(Self {
            info,
            picture,
            separate_infrared,
            linearisation,
            infrared_file: options.infrared_file.clone(),
            files,
        })
    }

    /// What is known about the scan.
    pub fn info(&self) -> &ScanInfo {
        &self.info
    }

    /// The file of the infrared plane, if separate.
    pub fn infrared_file(&self) -> Option<&Path> {
        self.infrared_file.as_deref()
    }

    /// Whether its files are still the ones that were opened: [`Error::Changed`] says which one was moved, replaced or
    /// written to. A few system calls; no data are read.
    pub fn check_unchanged(&self) -> Result<(), Error> {
        self.files.iter().try_for_each(|held| held.file.check_unchanged())
    }

    /// How its colour codes become linear light; infrared codes are always taken as linear.
    pub fn linearisation(&self) -> Linearisation {
        self.linearisation.clone()
    }

    /// Like [`RegionSource::read`], with this crate's error.
    pub fn read_region(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, Error> {
        let colour = self.picture.read(rect, cancel)?;
        match &self.separate_infrared {
            None => Ok(colour),
            Some(separate) => {
                let rect = rect.intersect(PixelRect::of_size(self.info.width_px, self.info.height_px));
                let infrared = separate.read(rect, cancel)?;
                interleave(&self.info.path, &colour, &infrared)
            }
        }
    }
}

impl RegionSource for Scan {
    fn width(&self) -> u32 {
        self.info.width_px
    }

    fn height(&self) -> u32 {
        self.info.height_px
    }

    fn channels(&self) -> u8 {
        to_u8(self.info.planes.len())
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, RegionError> {
        self.read_region(rect, cancel).map_err(RegionError::from)
    }
}

/// A note if the file states pixels that are not square.
fn uneven_resolution(ppi: Option<[f64; 2]>) -> Option<String> {
    let [x, y] = ppi?;
    ((x - y).abs() > 0.01 * x.min(y)).then(|| {
        format!(
            "the file states {x:.0} ppi across and {y:.0} ppi down; pixels are taken as square, so check sizes and \
             formats"
        )
    })
}

fn open_infrared_file(path: &Path, options: &OpenOptions) -> Result<(Box<dyn Picture>, HeldFile), Error> {
    let plain = OpenOptions {
        infrared_file: None,
        fourth_sample: crate::FourthSample::Ignore,
        page: None,
        ..options.clone()
    };
    let opened = open_picture(path, &plain)?;
    if opened.colours != 1 {
        return Err(Error::unsupported(
            path,
            "a colour picture in the place of an infrared plane",
            "choose the grey file that the scanner wrote for its infrared light",
        ));
    }
    if opened.orientation != Orientation::default() {
        return Err(Error::unsupported(
            path,
            "an infrared plane that is turned against its scan",
            "save the infrared plane upright, as the scanner wrote it",
        ));
    }
    let held = HeldFile::new(&opened.file);
    Ok((opened.picture, held))
}

fn linearisation_of(
    opened: &Opened,
    options: &OpenOptions,
    notes: &mut Vec<String>,
) -> (Encoding, Linearisation) {
    let channels = opened.colours;
    let profile = opened.icc.as_deref().map(parse_profile);
    let wanted = options.encoding.unwrap_or(match &profile {
        Some(_) => Encoding::Profile,
        None => opened.untagged,
    });
    if options.encoding.is_none() && profile.is_none() {
        notes.extend(opened.untagged_note.clone());
    }
    if wanted != Encoding::Profile {
        return (wanted, Linearisation::of_encoding(wanted, channels));
    }
    let fallback = match profile {
        Some(Ok(curves)) if curves.tables.len() == usize::from(channels) => {
            let linearisation = Linearisation { tables: curves.tables, to_xyz_d50: curves.to_xyz_d50 };
            return (Encoding::Profile, linearisation);
        }
        Some(Ok(_)) => "the embedded colour profile has another number of channels".to_owned(),
        Some(Err(e)) => e.to_string(),
        None => "there is no embedded colour profile".to_owned(),
    };
    notes.push(format!("{fallback}; codes are taken as linear"));
    (Encoding::Linear, Linearisation::of_encoding(Encoding::Linear, channels))
}

impl SeparateInfrared {
    /// A note if the sizes differ, an error if the shapes do.
    fn size_note(&self, path: &Path) -> Result<Option<String>, Error> {
        let (w, h) = self.plane.size();
        if (w, h) == (self.width, self.height) {
            return Ok(None);
        }
        let stretch = (f64::from(w) / f64::from(self.width)) / (f64::from(h) / f64::from(self.height));
        if !(0.98..=1.02).contains(&stretch) {
            return Err(Error::unsupported(
                path,
                format!(
                    "an infrared plane of {w} x {h} px beside a scan of {} x {} px",
                    self.width, self.height
                ),
                "choose the infrared file that belongs to this scan",
            ));
        }
        Ok(Some(format!("the infrared plane has {w} x {h} px and is stretched to the size of the scan")))
    }

    /// Reduce the whole plane, at the size of the scan, into a smaller picture.
    pub(crate) fn reduce(&self, path: &Path, how: &Reduction<'_>, reducer: &BoxReducer) -> Result<(), Error> {
        if self.plane.size() == (self.width, self.height) {
            return self.plane.reduce(how, reducer);
        }
        let read = |rect| self.read(rect, how.cancel);
        reduce_by_regions(path, (self.width, self.height), 1, &read, how, reducer)
    }

    /// The plane over `rect` of the scan: copied if sizes agree, else bilinear between pixel centres.
    ///
    /// Each result depends only on its own position, so that regions fit together.
    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, Error> {
        let (w, h) = self.plane.size();
        if (w, h) == (self.width, self.height) {
            return self.plane.read(rect, cancel);
        }
        let columns = Taps::of(rect.x0..rect.x1, self.width, w);
        let rows = Taps::of(rect.y0..rect.y1, self.height, h);
        let mut out = Samples16::zeroed(rect.width(), rect.height(), 1);
        let (Some(x), Some(y)) = (columns.range(), rows.range()) else { return Ok(out) };
        let source = self.plane.read(PixelRect::new(x.0, y.0, x.1, y.1), cancel)?;
        for (oy, row) in rows.0.iter().enumerate() {
            let (a, b) = (source.row(row.low - y.0), source.row(row.high - y.0));
            for (v, column) in out.row_mut(to_u32(oy)).iter_mut().zip(&columns.0) {
                let (i, j) = ((column.low - x.0) as usize, (column.high - x.0) as usize);
                let mix = |line: &[u16]| {
                    f64::from(line[i]) + (f64::from(line[j]) - f64::from(line[i])) * column.weight
                };
                let (top, bottom) = (mix(a), mix(b));
                *v = whole_u16(top + (bottom - top) * row.weight + 0.5);
            }
        }
        Ok(out)
    }
}

/// Two neighbouring source positions and the weight of the second.
struct Tap {
    low: u32,
    high: u32,
    weight: f64,
}

struct Taps(Vec<Tap>);

impl Taps {
    fn of(wanted: std::ops::Range<u32>, scan_side: u32, plane_side: u32) -> Self {
        let scale = f64::from(plane_side) / f64::from(scan_side);
        let last = plane_side - 1;
        Self(
            wanted
                .map(|i| {
                    let at = ((f64::from(i) + 0.5) * scale - 0.5).clamp(0.0, f64::from(last));
                    let low = whole_u32(at);
                    Tap { low, high: (low + 1).min(last), weight: at - at.floor() }
                })
                .collect(),
        )
    }

    fn range(&self) -> Option<(u32, u32)> {
        Some((self.0.first()?.low, self.0.last()?.high + 1))
    }
}

fn interleave(path: &Path, colour: &Samples16, infrared: &Samples16) -> Result<Samples16, Error> {
    let c = usize::from(colour.channels());
    let mut data = Vec::new();
    reserve(&mut data, colour.data().len() + infrared.data().len())
        .map_err(|refused| Error::memory(path, "a region of the scan", refused.bytes))?;
    for (px, v) in colour.data().chunks_exact(c).zip(infrared.data()) {
        data.extend_from_slice(px);
        data.push(*v);
    }
    Samples16::from_vec(colour.width(), colour.height(), colour.channels() + 1, data)
        .ok_or_else(|| Error::malformed(path, "planes of different sizes"))
}
