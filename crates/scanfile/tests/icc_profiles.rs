//! Profiles built here, opened by a general colour engine, and profiles of other origin, opened here.

#![allow(clippy::print_stdout, reason = "a skipped check says so, and measured figures are shown")]

use glassine_scanfile::icc::{
    ProfileError, TransferCurve, build_grey_profile, build_rgb_profile, parse_profile,
};
use lcms2::{
    CIExyY, CIExyYTRIPLE, Flags, Intent, PixelFormat, Profile, Tag, TagSignature, ToneCurve, Transform,
};
use moxcms::ToneReprCurve;

type Matrix = [[f64; 3]; 3];

/// The illuminant of the connection space. Source: ICC.1 v4; the header of the colour engine has the same numbers.
const D50_XYZ: [f64; 3] = [0.9642, 1.0, 0.8249];

/// CIE Lab under D50. Source: CIE 15.
fn lab(xyz: [f64; 3]) -> [f64; 3] {
    let f = |t: f64| if t > 216.0 / 24389.0 { t.cbrt() } else { (24389.0 / 27.0 * t + 16.0) / 116.0 };
    let [x, y, z] = std::array::from_fn(|i| f(xyz[i] / D50_XYZ[i]));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

struct Space {
    name: &'static str,
    primaries: [[f64; 2]; 3],
    white: [f64; 2],
    curve: TransferCurve,
    /// Linear light of a device value, by the formula of the standard.
    light: fn(f64) -> f64,
}

/// Sources of the numbers: IEC 61966-2-1; SMPTE EG 432-1; Adobe RGB (1998), version 2005-05; ISO 22028-2; ITU-R
/// BT.2020 (primaries).
fn spaces() -> Vec<Space> {
    let d65 = [0.3127, 0.329];
    let srgb = |v: f64| if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) };
    let romm = TransferCurve::Parametric { g: 1.8, a: 1.0, b: 0.0, c: 1.0 / 16.0, d: 1.0 / 32.0 };
    let space = |name, primaries, white, curve, light| Space { name, primaries, white, curve, light };
    vec![
        space("sRGB", [[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]], d65, TransferCurve::srgb(), srgb),
        space("Display P3", [[0.68, 0.32], [0.265, 0.69], [0.15, 0.06]], d65, TransferCurve::srgb(), srgb),
        space(
            "Wide, 563/256",
            [[0.64, 0.33], [0.21, 0.71], [0.15, 0.06]],
            d65,
            TransferCurve::Gamma(563.0 / 256.0),
            |v| v.powf(563.0 / 256.0),
        ),
        space(
            "ROMM RGB",
            [[0.7347, 0.2653], [0.1596, 0.8404], [0.0366, 0.0001]],
            [0.3457, 0.3585],
            romm,
            |v| if v < 16.0 / 512.0 { v / 16.0 } else { v.powf(1.8) },
        ),
        space("Linear", [[0.708, 0.292], [0.17, 0.797], [0.131, 0.046]], d65, TransferCurve::Linear, |v| v),
    ]
}

impl Space {
    /// The same space, built by the colour engine from primaries and white.
    fn by_the_engine(&self) -> Profile {
        let at = |[x, y]: [f64; 2]| CIExyY { x, y, Y: 1.0 };
        let [red, green, blue] = self.primaries.map(at);
        let curve = ToneCurve::new(1.0);
        let primaries = CIExyYTRIPLE { Red: red, Green: green, Blue: blue };
        Profile::new_rgb(&at(self.white), &primaries, &[&curve, &curve, &curve]).expect("a profile")
    }

    /// Linear light to XYZ under D50, as the colour engine computes it.
    fn matrix(&self) -> Matrix {
        let profile = self.by_the_engine();
        let tags =
            [TagSignature::RedColorantTag, TagSignature::GreenColorantTag, TagSignature::BlueColorantTag];
        let columns = tags.map(|tag| match profile.read_tag(tag) {
            Tag::CIEXYZ(xyz) => [xyz.X, xyz.Y, xyz.Z],
            _ => panic!("no colorant"),
        });
        std::array::from_fn(|row| std::array::from_fn(|column| columns[column][row]))
    }

    fn ours(&self) -> Vec<u8> {
        let [x, y] = self.white;
        build_rgb_profile(self.name, self.matrix(), [x / y, 1.0, (1.0 - x - y) / y], &self.curve)
    }
}

/// Position and length of every tag in a profile, by signature.
fn tag_table(profile: &[u8]) -> Vec<([u8; 4], usize, usize)> {
    let number = |at: usize| profile[at..at + 4].iter().fold(0, |sum, byte| sum << 8 | usize::from(*byte));
    (0..number(128))
        .map(|i| 132 + 12 * i)
        .map(|at| (profile[at..at + 4].try_into().expect("four bytes"), number(at + 4), number(at + 8)))
        .collect()
}

fn adaptation(profile: &[u8]) -> Vec<f64> {
    let (_, at, len) =
        *tag_table(profile).iter().find(|(signature, ..)| signature == b"chad").expect("a matrix");
    let numbers = profile[at + 8..at + len].chunks_exact(4);
    numbers.map(|b| f64::from(i32::from_be_bytes([b[0], b[1], b[2], b[3]])) / 65_536.0).collect()
}

#[test]
fn a_colour_engine_reads_our_rgb_profiles_as_their_formulas_say() {
    for space in spaces() {
        let (name, matrix) = (space.name, space.matrix());
        let profile = Profile::new_icc(&space.ours()).expect("a sound profile");
        let transform = Transform::<[f64; 3], [f64; 3], _, _>::new_flags(
            &profile,
            PixelFormat::RGB_DBL,
            &Profile::new_lab4_context(lcms2::GlobalContext::new(), &CIExyY { x: 0.3457, y: 0.3585, Y: 1.0 })
                .expect("Lab"),
            PixelFormat::Lab_DBL,
            Intent::RelativeColorimetric,
            Flags::NO_CACHE,
        )
        .expect("a transform");
        let mut worst = 0.0_f64;
        for i in 0..9 * 9 * 9 {
            let rgb = [i / 81, i / 9 % 9, i % 9].map(|k| f64::from(k) / 8.0);
            let mut got = [[0.0; 3]];
            transform.transform_pixels(&[rgb], &mut got);
            let light = rgb.map(space.light);
            let xyz = std::array::from_fn(|r| (0..3).map(|c| matrix[r][c] * light[c]).sum());
            let wanted = lab(xyz);
            worst = wanted.iter().zip(got[0]).fold(worst, |w, (a, b)| w.max((a - b).abs()));
        }
        println!("{name}: largest Lab difference {worst:.4}");
        assert!(worst < 0.05, "{name}: {worst}");
    }
}

#[test]
fn a_colour_engine_reads_our_grey_profile() {
    let grey = build_grey_profile("Grey", &TransferCurve::Gamma(2.2));
    let profile = Profile::new_icc(&grey).expect("a sound profile");
    let lab_profile =
        Profile::new_lab4_context(lcms2::GlobalContext::new(), &CIExyY { x: 0.3457, y: 0.3585, Y: 1.0 })
            .expect("Lab");
    let grey = PixelFormat::GRAY_DBL;
    let transform = Transform::<f64, [f64; 3]>::new(
        &profile,
        grey,
        &lab_profile,
        PixelFormat::Lab_DBL,
        Intent::RelativeColorimetric,
    )
    .expect("a transform");
    for i in 0..=20 {
        let v = f64::from(i) / 20.0;
        let mut got = [[0.0; 3]];
        transform.transform_pixels(&[v], &mut got);
        let wanted = lab(D50_XYZ.map(|w| w * v.powf(2.2)));
        assert!(wanted.iter().zip(got[0]).all(|(a, b)| (a - b).abs() < 0.05), "{v}: {wanted:?} {:?}", got[0]);
    }
}

#[test]
fn our_profiles_are_the_same_bytes_every_time_and_we_read_them_back() {
    for space in spaces() {
        let (name, matrix, bytes) = (space.name, space.matrix(), space.ours());
        assert_eq!(bytes, space.ours());
        // The date is stated, not read from a clock.
        assert_eq!(bytes[24..36], [0x07, 0xEA, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0]);
        let curves = parse_profile(&bytes).expect("readable");
        let back = curves.to_xyz_d50.expect("RGB has a matrix");
        assert!(back.iter().flatten().zip(matrix.iter().flatten()).all(|(a, b)| (a - b).abs() < 1e-5));
        for code in [0, 1, 300, 2_000, 30_000, 65_535_usize] {
            let (got, wanted) = (f64::from(curves.tables[1][code]), (space.light)(code as f64 / 65535.0));
            assert!((got - wanted).abs() < 3e-5, "{name} {code}: {got} {wanted}");
        }
    }
}

#[test]
fn every_tag_of_our_profiles_begins_at_a_multiple_of_four_bytes() {
    let curve = TransferCurve::srgb();
    let rgb = spaces().into_iter().map(|space| space.ours());
    let grey = ["", "x", "xy", "Größe"].map(|name| build_grey_profile(name, &curve));
    for bytes in rgb.chain(grey) {
        assert_eq!(bytes[..4], (bytes.len() as u32).to_be_bytes());
        assert_eq!(bytes.len() % 4, 0);
        for (signature, at, len) in tag_table(&bytes) {
            assert!(at % 4 == 0 && at + len <= bytes.len(), "{signature:?} {at} {len}");
        }
    }
}

#[test]
fn our_adaptation_to_d50_is_the_one_of_a_colour_engine() {
    for space in spaces() {
        let theirs = adaptation(&space.by_the_engine().icc().expect("bytes"));
        for (a, b) in adaptation(&space.ours()).iter().zip(&theirs) {
            // One step of the numbers in a profile.
            assert!((a - b).abs() < 1.1 / 65_536.0, "{}: {a} {b}", space.name);
        }
    }
}

#[test]
fn open_profiles_of_others_are_read_as_a_colour_engine_reads_them() {
    let Some(folder) = glassine_testdata::folder("icc-profiles-cc0") else { return };
    let mut read = 0;
    for entry in std::fs::read_dir(&folder).expect("the folder is there").flatten() {
        if entry.path().extension().is_none_or(|e| e != "icc") {
            continue;
        }
        let bytes = std::fs::read(entry.path()).expect("readable");
        let ours = parse_profile(&bytes).unwrap_or_else(|e| panic!("{:?}: {e}", entry.path()));
        let theirs = Profile::new_icc(&bytes).expect("a sound profile");
        for (i, signature) in [TagSignature::RedTRCTag, TagSignature::GreenTRCTag].iter().enumerate() {
            let Tag::ToneCurve(curve) = theirs.read_tag(*signature) else { panic!("no curve") };
            for code in (0..65_536).step_by(997) {
                let v = code as f32 / 65535.0;
                let (a, b) = (ours.tables[i][code], curve.eval(v));
                assert!((a - b).abs() < 2e-4, "{:?} {code}: {a} {b}", entry.path());
            }
        }
        read += 1;
    }
    assert!(read >= 6, "{read} profiles");
}

#[test]
fn damaged_and_foreign_profiles_are_refused_with_words() {
    let good = spaces()[0].ours();
    for cut in 0..good.len() {
        drop(parse_profile(&good[..cut]));
    }
    let mut noise = crate::common::noise(5);
    for _ in 0..300 {
        let mut bad = good.clone();
        for _ in 0..=noise.below(4) {
            let at = noise.below(bad.len() as u64) as usize;
            bad[at] = noise.next_u64() as u8;
        }
        drop(parse_profile(&bad));
    }
    let mut named = good.clone();
    named[12..16].copy_from_slice(b"nmcl");
    assert!(matches!(parse_profile(&named), Err(ProfileError::NoCurves { .. })));
    let mut cmyk = good;
    cmyk[16..20].copy_from_slice(b"CMYK");
    let error = parse_profile(&cmyk).expect_err("not RGB");
    assert!(error.to_string().contains("CMYK"), "{error}");
}

#[test]
fn a_curve_that_does_not_rise_is_refused() {
    for gamma in [0.0, -1.0, -0.5] {
        let profile = build_grey_profile("x", &TransferCurve::Gamma(gamma));
        let error = parse_profile(&profile).expect_err("no density can be told");
        assert!(error.to_string().contains("does not rise"), "{gamma}: {error}");
    }
    // The same as a table with one entry, which is a power in 1/256.
    assert!(parse_profile(&grey_with_table(vec![0])).is_err());
    let square = parse_profile(&grey_with_table(vec![512])).expect("a power of two");
    assert!((square.tables[0][32_768] - 0.25).abs() < 1e-3);
}

fn grey_with_table(table: Vec<u16>) -> Vec<u8> {
    let mut profile = moxcms::ColorProfile::new_gray_with_gamma(1.0);
    profile.gray_trc = Some(ToneReprCurve::Lut(table));
    profile.encode().expect("a sound profile")
}

#[test]
fn a_curve_in_the_form_of_a_table_is_read_between_its_entries() {
    let power = |v: f64| v.powf(2.2);
    let table = (0..1024_u32).map(|i| (65_535.0 * power(f64::from(i) / 1023.0)).round() as u16).collect();
    let curves = parse_profile(&grey_with_table(table)).expect("readable");
    for code in (0..=65_535_usize).step_by(771) {
        let (got, wanted) = (f64::from(curves.tables[0][code]), power(code as f64 / 65_535.0));
        assert!((got - wanted).abs() < 1e-5, "{code}: {got} {wanted}");
    }
}
