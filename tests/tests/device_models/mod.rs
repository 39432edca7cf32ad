//! Profiles with tables in both directions, sampled from simple models of a screen and a press.

type Lab = [f64; 3];

const D50: [f64; 3] = [0.9642, 1.0, 0.8249];
/// Nodes of the tables.
const DEVICE_SIDE: u8 = 21;
const LAB_SIDE: u8 = 33;
const INK_SIDE: u8 = 11;

fn lab_from_xyz(xyz: [f64; 3]) -> Lab {
    let f = |t: f64| if t > 216.0 / 24389.0 { t.cbrt() } else { (24389.0 / 27.0 * t + 16.0) / 116.0 };
    let [x, y, z] = std::array::from_fn(|i| f(xyz[i] / D50[i]));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

fn xyz_from_lab([l, a, b]: Lab) -> [f64; 3] {
    let y = (l + 16.0) / 116.0;
    let t = |f: f64| if f > 6.0 / 29.0 { f * f * f } else { (116.0 * f - 16.0) * 27.0 / 24389.0 };
    let roots = [y + a / 500.0, y, y - b / 200.0];
    std::array::from_fn(|i| t(roots[i]) * D50[i])
}

/// Columns of a wide screen under D50 (about P3), and the light it leaks when black.
const SCREEN: [[f64; 3]; 3] = [[0.5151, 0.2919, 0.1572], [0.2412, 0.6922, 0.0666], [-0.0011, 0.0419, 0.7841]];
const LEAK: f64 = 0.004;
const GAMMA: f64 = 2.2;

fn screen_lab(rgb: [f64; 3]) -> Lab {
    let light = rgb.map(|v| LEAK + (1.0 - LEAK) * v.max(0.0).powf(GAMMA));
    lab_from_xyz(SCREEN.map(|row| row.iter().zip(light).map(|(m, v)| m * v).sum()))
}

fn screen_rgb(lab: Lab) -> [f64; 3] {
    let xyz = xyz_from_lab(lab);
    let inverse = glassine_film::matrix::invert(&SCREEN).expect("it inverts");
    let light = glassine_film::matrix::apply(&inverse, xyz);
    light.map(|v| ((v - LEAK) / (1.0 - LEAK)).clamp(0.0, 1.0).powf(1.0 / GAMMA))
}

/// Light that each ink lets through where it is printed full, in XYZ relative to paper.
type Inks = [[f64; 3]; 4];

const PRESS: Inks = [[0.19, 0.25, 0.72], [0.38, 0.20, 0.21], [0.80, 0.85, 0.10], [0.025, 0.025, 0.03]];
/// Three inks that are neutral on each other, because colour engines differ about a black with a tint, and a fourth that
/// is not printed.
const PHOTO: Inks = [[0.1398, 0.25, 0.60], [0.38, 0.20, 0.30], [0.80, 0.85, 0.2361], [1.0; 3]];

/// Lab of inks over each other, after Neugebauer: every mixture of full and no ink covers its share of the paper.
fn printed_lab(full: &Inks, inks: [f64; 4]) -> Lab {
    let covers = inks.map(|v| (v.clamp(0.0, 1.0) * (1.0 + 0.45 * (1.0 - v.clamp(0.0, 1.0)))).min(1.0));
    let mut xyz = [0.0; 3];
    for mixture in 0..16_usize {
        let (mut share, mut light) = (1.0, [1.0; 3]);
        for (ink, cover) in covers.iter().enumerate() {
            let is_on = mixture >> ink & 1 == 1;
            share *= if is_on { *cover } else { 1.0 - cover };
            if is_on {
                light = std::array::from_fn(|i| light[i] * full[ink][i]);
            }
        }
        // Ink on ink still reflects a little.
        xyz = std::array::from_fn(|i| xyz[i] + share * D50[i] * (0.008 + 0.992 * light[i]));
    }
    lab_from_xyz(xyz)
}

/// Inks for a colour: black takes over the grey part, then the three colours are fitted step by step.
fn press_inks(lab: Lab) -> [f64; 4] {
    inks_with_black(&PRESS, lab, (1.0 - lab[0] / 100.0).clamp(0.0, 1.0).powi(2))
}

fn inks_with_black(full: &Inks, lab: Lab, black: f64) -> [f64; 4] {
    let wanted = xyz_from_lab(lab).map(|v| v.max(1e-4));
    let mut inks = [0.3, 0.3, 0.3, black];
    for _ in 0..40 {
        let now = xyz_from_lab(printed_lab(full, inks));
        for (i, ink) in inks.iter_mut().take(3).enumerate() {
            *ink = (*ink + 0.35 * (now[i] / wanted[i]).ln()).clamp(0.0, 1.0);
        }
    }
    inks
}

fn code(value: f64) -> u16 {
    (value.clamp(0.0, 1.0) * 65_535.0).round() as u16
}

/// Lab as tables of 16 bits write it: 100 is 0xFF00.
fn lab_codes([l, a, b]: Lab) -> [u16; 3] {
    let legacy = |unit: f64| code(unit * 65_280.0 / 65_535.0);
    [legacy(l / 100.0), legacy((a + 128.0) / 255.0), legacy((b + 128.0) / 255.0)]
}

fn lab_of_unit(unit: [f64; 3]) -> Lab {
    let [l, a, b] = unit.map(|v| v * 65_535.0 / 65_280.0);
    [l * 100.0, a * 255.0 - 128.0, b * 255.0 - 128.0]
}

/// All nodes of a grid, the last channel fastest.
fn nodes(side: u8, channels: usize) -> impl Iterator<Item = Vec<f64>> {
    let side = usize::from(side);
    (0..side.pow(channels as u32)).map(move |at| {
        (0..channels)
            .map(|channel| at / side.pow((channels - 1 - channel) as u32) % side)
            .map(|step| step as f64 / (side - 1) as f64)
            .collect()
    })
}

/// A table of 16 bits with straight curves on both sides. Source: ICC.1 v4, `lut16Type`.
fn table(side: u8, from: u8, to: u8, values: &[u16]) -> Vec<u8> {
    let mut bytes = [b"mft2\0\0\0\0".as_slice(), &[from, to, side, 0]].concat();
    for cell in [1, 0, 0, 0, 1, 0, 0, 0, 1_u32] {
        bytes.extend((cell << 16).to_be_bytes());
    }
    let straight = |channels: u8| [0, u16::MAX].repeat(usize::from(channels));
    let codes = [vec![2, 2], straight(from), values.to_vec(), straight(to)].concat();
    bytes.extend(codes.into_iter().flat_map(u16::to_be_bytes));
    bytes
}

/// A profile of version 2. Source: ICC.1:2001-04, header, tag table, `textDescriptionType`, `XYZType`.
fn profile(
    name: &str,
    (class, space): (&[u8; 4], &[u8; 4]),
    to_lab: Vec<u8>,
    from_lab: Vec<u8>,
    white: [f64; 3],
) -> Vec<u8> {
    let xyz = |xyz: [f64; 3]| xyz.map(|v| ((v * 65_536.0).round() as i32).to_be_bytes()).concat();
    let length = (name.len() as u32 + 1).to_be_bytes();
    let description = [b"desc\0\0\0\0".as_slice(), &length, name.as_bytes(), &[0; 79]].concat();
    let white = [b"XYZ \0\0\0\0".as_slice(), &xyz(white)].concat();
    let contents = [description, white, to_lab, from_lab];
    let tags = [(b"desc", 0), (b"wtpt", 1), (b"A2B0", 2), (b"A2B1", 2), (b"B2A0", 3), (b"B2A1", 3)];
    let (mut body, mut places) = (Vec::new(), Vec::new());
    for content in &contents {
        places.push((128 + 4 + 12 * tags.len() + body.len(), content.len()));
        body.extend(content);
        body.resize(body.len().next_multiple_of(4), 0);
    }
    let mut list = (tags.len() as u32).to_be_bytes().to_vec();
    for (tag, content) in tags {
        let (at, bytes) = places[content];
        list.extend([tag.as_slice(), &(at as u32).to_be_bytes(), &(bytes as u32).to_be_bytes()].concat());
    }
    let size = (128 + list.len() + body.len()) as u32;
    let mut header = [size.to_be_bytes(), [0; 4], [2, 0x40, 0, 0], *class, *space, *b"Lab "].concat();
    header.extend([2026_u16, 1, 1, 0, 0, 0].map(u16::to_be_bytes).concat());
    header.extend(b"acsp");
    header.resize(68, 0);
    header.extend(xyz(D50));
    header.resize(128, 0);
    [header, list, body].concat()
}

/// A wide screen that leaks light, with tables.
#[allow(dead_code, reason = "every test file uses its own part of this module")]
pub(crate) fn screen_profile_with_tables() -> Vec<u8> {
    let forward: Vec<u16> =
        nodes(DEVICE_SIDE, 3).flat_map(|c| lab_codes(screen_lab([c[0], c[1], c[2]]))).collect();
    let back: Vec<u16> =
        nodes(LAB_SIDE, 3).flat_map(|c| screen_rgb(lab_of_unit([c[0], c[1], c[2]])).map(code)).collect();
    let (to_lab, from_lab) = (table(DEVICE_SIDE, 3, 3, &forward), table(LAB_SIDE, 3, 3, &back));
    profile("Test screen", (b"mntr", b"RGB "), to_lab, from_lab, D50)
}

/// A press with four inks on yellowish paper.
pub(crate) fn press_profile() -> Vec<u8> {
    let forward: Vec<u16> =
        nodes(INK_SIDE, 4).flat_map(|c| lab_codes(printed_lab(&PRESS, [c[0], c[1], c[2], c[3]]))).collect();
    let back: Vec<u16> =
        nodes(LAB_SIDE, 3).flat_map(|c| press_inks(lab_of_unit([c[0], c[1], c[2]])).map(code)).collect();
    let (to_lab, from_lab) = (table(INK_SIDE, 4, 3, &forward), table(LAB_SIDE, 3, 4, &back));
    profile("Test press", (b"prtr", b"CMYK"), to_lab, from_lab, [0.80, 0.84, 0.62])
}

/// A photo printer driven by red, green and blue, with three inks on white paper.
#[allow(dead_code, reason = "every test file uses its own part of this module")]
pub(crate) fn photo_printer_profile() -> Vec<u8> {
    let inks = |c: &[f64]| [1.0 - c[0], 1.0 - c[1], 1.0 - c[2], 0.0];
    let forward: Vec<u16> =
        nodes(DEVICE_SIDE, 3).flat_map(|c| lab_codes(printed_lab(&PHOTO, inks(&c)))).collect();
    let rgb = |lab: Lab| {
        let [c, m, y, _] = inks_with_black(&PHOTO, lab, 0.0);
        [1.0 - c, 1.0 - m, 1.0 - y].map(code)
    };
    let back: Vec<u16> = nodes(LAB_SIDE, 3).flat_map(|c| rgb(lab_of_unit([c[0], c[1], c[2]]))).collect();
    let (to_lab, from_lab) = (table(DEVICE_SIDE, 3, 3, &forward), table(LAB_SIDE, 3, 3, &back));
    profile("Test photo printer", (b"prtr", b"RGB "), to_lab, from_lab, [0.86, 0.90, 0.73])
}
