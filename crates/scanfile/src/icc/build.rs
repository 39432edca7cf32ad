//! Display profiles of the matrix kind, version 4, built byte by byte.
//!
//! Layout and tag types follow ICC.1 (v4): 128-byte header, tag table, tags aligned to 4 bytes, big-endian. The date is
//! fixed, so the same numbers always give the same bytes, and the profile id stays zero, as the format allows.

/// The PCS illuminant D50 as the format states it, source: ICC.1 v4 (X 0.9642, Y 1.0, Z 0.8249).
pub const D50_XYZ: [f64; 3] = [0.9642, 1.0, 0.8249];

/// How device values relate to linear light.
#[derive(Debug, Clone, PartialEq)]
pub enum TransferCurve {
    /// Device values are linear light.
    Linear,
    /// `light = value ^ gamma`.
    Gamma(f64),
    /// `light = (a value + b) ^ g` for `value >= d`, else `c value` (ICC parametric type 3).
    Parametric {
        /// Exponent.
        g: f64,
        /// Scale inside the power.
        a: f64,
        /// Offset inside the power.
        b: f64,
        /// Slope of the straight part.
        c: f64,
        /// Value at which the straight part ends.
        d: f64,
    },
    /// Evenly spaced samples of light over the device range, 65535 for full light.
    Table(Vec<u16>),
}

impl TransferCurve {
    /// The curve of IEC 61966-2-1 as ICC type 3.
    pub fn srgb() -> Self {
        Self::Parametric { g: 2.4, a: 1.0 / 1.055, b: 0.055 / 1.055, c: 1.0 / 12.92, d: 0.04045 }
    }

    /// Linear light 0..1 of a device value 0..1, by the exact formula.
    pub fn light(&self, value: f64) -> f64 {
        match self {
            Self::Linear => value,
            Self::Gamma(gamma) => value.max(0.0).powf(*gamma),
            Self::Parametric { g, a, b, c, d } => {
                if value >= *d {
                    (a * value + b).max(0.0).powf(*g)
                } else {
                    c * value
                }
            }
            Self::Table(table) => table_light(table, value),
        }
    }

    fn to_tag(&self) -> Vec<u8> {
        match self {
            Self::Linear => curve_tag(&[]),
            Self::Gamma(gamma) => parametric_tag(0, &[*gamma]),
            Self::Parametric { g, a, b, c, d } => parametric_tag(3, &[*g, *a, *b, *c, *d]),
            Self::Table(table) => curve_tag(table),
        }
    }
}

/// Linear interpolation between evenly spaced samples; outside 0..1 the end samples hold.
pub(crate) fn table_light(table: &[u16], value: f64) -> f64 {
    let (Some(first), Some(last)) = (table.first(), table.last()) else { return value };
    let at = value.clamp(0.0, 1.0) * (table.len() - 1) as f64;
    let i = at.floor() as usize;
    let low = f64::from(*table.get(i).unwrap_or(first));
    let high = f64::from(*table.get(i + 1).unwrap_or(last));
    (low + (high - low) * (at - i as f64)) / 65535.0
}

/// An RGB display profile.
///
/// `to_xyz_d50` turns linear light into XYZ already adapted to D50, row by row; its columns become the colorant tags.
/// `white_xyz` is the XYZ (Y = 1) of the space's own white, from which the chromatic adaptation tag is computed.
pub fn build_rgb_profile(
    desc: &str,
    to_xyz_d50: [[f64; 3]; 3],
    white_xyz: [f64; 3],
    curve: &TransferCurve,
) -> Vec<u8> {
    let column = |i: usize| xyz_tag([to_xyz_d50[0][i], to_xyz_d50[1][i], to_xyz_d50[2][i]]);
    let trc = curve.to_tag();
    let tags = [
        (*b"desc", text_tag(desc)),
        (*b"cprt", text_tag(RIGHTS)),
        (*b"wtpt", xyz_tag(D50_XYZ)),
        (*b"chad", chad_tag(white_xyz)),
        (*b"rXYZ", column(0)),
        (*b"gXYZ", column(1)),
        (*b"bXYZ", column(2)),
        (*b"rTRC", trc.clone()),
        (*b"gTRC", trc.clone()),
        (*b"bTRC", trc),
    ];
    assemble(*b"RGB ", &tags)
}

/// A grey display profile under D50.
pub fn build_grey_profile(desc: &str, curve: &TransferCurve) -> Vec<u8> {
    let tags = [
        (*b"desc", text_tag(desc)),
        (*b"cprt", text_tag(RIGHTS)),
        (*b"wtpt", xyz_tag(D50_XYZ)),
        (*b"kTRC", curve.to_tag()),
    ];
    assemble(*b"GRAY", &tags)
}

const RIGHTS: &str = "No rights reserved; free to use and embed.";

fn assemble(colour_space: [u8; 4], tags: &[([u8; 4], Vec<u8>)]) -> Vec<u8> {
    let mut table = Vec::new();
    let mut body: Vec<u8> = Vec::new();
    let start = 128 + 4 + 12 * tags.len();
    let mut placed: Vec<(usize, &[u8])> = Vec::new();
    for (signature, data) in tags {
        // Equal tags share their bytes, as the three curves do.
        let offset = match placed.iter().find(|(_, other)| *other == data.as_slice()) {
            Some((offset, _)) => *offset,
            None => {
                let offset = start + body.len();
                body.extend_from_slice(data);
                body.resize(body.len().next_multiple_of(4), 0);
                placed.push((offset, data));
                offset
            }
        };
        table.extend_from_slice(signature);
        table.extend_from_slice(&(offset as u32).to_be_bytes());
        table.extend_from_slice(&(data.len() as u32).to_be_bytes());
    }
    let mut profile = header(colour_space, (start + body.len()) as u32);
    profile.extend_from_slice(&(tags.len() as u32).to_be_bytes());
    profile.extend_from_slice(&table);
    profile.extend_from_slice(&body);
    profile
}

/// The header: size, version 4.3, display class, connection space XYZ, a fixed date, `acsp`, perceptual intent, D50.
fn header(colour_space: [u8; 4], size: u32) -> Vec<u8> {
    let mut h = Vec::with_capacity(128);
    h.extend_from_slice(&size.to_be_bytes());
    h.extend_from_slice(&[0; 4]);
    h.extend_from_slice(&[4, 0x30, 0, 0]);
    h.extend_from_slice(b"mntr");
    h.extend_from_slice(&colour_space);
    h.extend_from_slice(b"XYZ ");
    for part in [2026_u16, 1, 1, 0, 0, 0] {
        h.extend_from_slice(&part.to_be_bytes());
    }
    h.extend_from_slice(b"acsp");
    h.resize(68, 0);
    for v in D50_XYZ {
        h.extend_from_slice(&s15_fixed_16(v));
    }
    h.resize(128, 0);
    h
}

fn s15_fixed_16(v: f64) -> [u8; 4] {
    // Casting saturates, so an extreme number becomes the largest the format can hold.
    ((v * 65536.0).round() as i32).to_be_bytes()
}

fn typed(signature: &[u8; 4]) -> Vec<u8> {
    let mut tag = signature.to_vec();
    tag.extend_from_slice(&[0; 4]);
    tag
}

fn xyz_tag(xyz: [f64; 3]) -> Vec<u8> {
    let mut tag = typed(b"XYZ ");
    xyz.iter().for_each(|v| tag.extend_from_slice(&s15_fixed_16(*v)));
    tag
}

/// `multiLocalizedUnicodeType` with one record, English of the United States.
fn text_tag(text: &str) -> Vec<u8> {
    let utf16: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
    let mut tag = typed(b"mluc");
    for n in [1_u32, 12] {
        tag.extend_from_slice(&n.to_be_bytes());
    }
    tag.extend_from_slice(b"enUS");
    tag.extend_from_slice(&(utf16.len() as u32).to_be_bytes());
    tag.extend_from_slice(&28_u32.to_be_bytes());
    tag.extend_from_slice(&utf16);
    tag
}

fn curve_tag(table: &[u16]) -> Vec<u8> {
    let mut tag = typed(b"curv");
    tag.extend_from_slice(&(table.len() as u32).to_be_bytes());
    table.iter().for_each(|v| tag.extend_from_slice(&v.to_be_bytes()));
    tag
}

fn parametric_tag(kind: u16, values: &[f64]) -> Vec<u8> {
    let mut tag = typed(b"para");
    tag.extend_from_slice(&kind.to_be_bytes());
    tag.extend_from_slice(&[0; 2]);
    values.iter().for_each(|v| tag.extend_from_slice(&s15_fixed_16(*v)));
    tag
}

/// Bradford adaptation from the space's white to D50 as `s15Fixed16ArrayType`.
fn chad_tag(white_xyz: [f64; 3]) -> Vec<u8> {
    let mut tag = typed(b"sf32");
    bradford_to_d50(white_xyz).iter().flatten().for_each(|v| tag.extend_from_slice(&s15_fixed_16(*v)));
    tag
}

/// Linear Bradford transform of XYZ under `white_xyz` to XYZ under D50.
///
/// ```text
/// M = B^-1 diag(B D50 / B white) B
/// ```
/// Source: ICC.1 v4 annex E (the Bradford matrix and its use).
pub fn bradford_to_d50(white_xyz: [f64; 3]) -> [[f64; 3]; 3] {
    const CONE: [[f64; 3]; 3] =
        [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]];
    let apply = |m: &[[f64; 3]; 3], v: [f64; 3]| m.map(|r| r[0] * v[0] + r[1] * v[1] + r[2] * v[2]);
    let (from, to) = (apply(&CONE, white_xyz), apply(&CONE, D50_XYZ));
    let mut scaled = CONE;
    for (row, (a, b)) in scaled.iter_mut().zip(from.iter().zip(to)) {
        let gain = if *a != 0.0 { b / a } else { 1.0 };
        row.iter_mut().for_each(|v| *v *= gain);
    }
    let inverse = invert(&CONE);
    let mut out = [[0.0; 3]; 3];
    for (i, row) in out.iter_mut().enumerate() {
        for (j, v) in row.iter_mut().enumerate() {
            *v = (0..3).map(|k| inverse[i][k] * scaled[k][j]).sum();
        }
    }
    out
}

/// Inverse of a 3 by 3 matrix by cofactors; a singular one gives not-a-number entries.
fn invert(m: &[[f64; 3]; 3]) -> [[f64; 3]; 3] {
    let minor = |r: usize, c: usize| {
        let (r0, r1) = ((r + 1) % 3, (r + 2) % 3);
        let (c0, c1) = ((c + 1) % 3, (c + 2) % 3);
        m[r0][c0] * m[r1][c1] - m[r0][c1] * m[r1][c0]
    };
    let det: f64 = (0..3).map(|c| m[0][c] * minor(0, c)).sum();
    let mut out = [[0.0; 3]; 3];
    for (i, row) in out.iter_mut().enumerate() {
        for (j, v) in row.iter_mut().enumerate() {
            *v = minor(j, i) / det;
        }
    }
    out
}
