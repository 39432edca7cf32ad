//! Pictures at reduced size: sharpening acts on the same detail of the film as at full size, and a picture that is no
//! longer wanted is not finished.

use std::cell::RefCell;
use std::path::Path;

use crate::common::{HEIGHT, WIDTH, at, scan_ref, session_of, write_codes};
use glassine_engine::{
    Engine, EngineError, Overlay, PictureSide, Preview, PreviewRequest, UnitRect, ViewKey, Worker as _,
};
use glassine_film::Param;
use glassine_raster::{CancelToken, PixelRect};
use glassine_session::{Edit, Session};

/// Size of the frame that [`session_of`] places on a scan, pixels.
const FRAME_PX: (u32, u32) = (520, 340);
/// Column of the scan where dark turns bright: whole pixels of the frame at every size below.
const EDGE_PX: u32 = 300;

fn write_edge(path: &Path) {
    let code = |x: u32| if x < EDGE_PX { 8_000 } else { 24_000 };
    let codes: Vec<u16> = (0..WIDTH * HEIGHT * 3).map(|i| code(i / 3 % WIDTH)).collect();
    write_codes(path, WIDTH, HEIGHT, &codes);
}

fn request(session: &Session, scale: u32) -> PreviewRequest {
    PreviewRequest {
        key: ViewKey::Frame(session.frames[0].id),
        at: at(session),
        region: UnitRect::WHOLE,
        scan_rect: PixelRect::default(),
        max_width_px: FRAME_PX.0 / scale,
        max_height_px: FRAME_PX.1 / scale,
        side: PictureSide::Positive,
        overlay: Overlay::None,
        proof: None,
        revision: 1,
    }
}

/// Green of each column, codes of 8 bits: the mean of all rows, so that dithering averages out.
fn columns(engine: &Engine, session: &Session, scale: u32) -> Vec<f64> {
    let made: RefCell<Option<Preview>> = RefCell::default();
    let ready = |preview| *made.borrow_mut() = Some(preview);
    engine.preview(&request(session, scale), &CancelToken::new(), &ready).expect("is made");
    let picture = made.into_inner().expect("is handed over");
    assert_eq!((picture.width_px, picture.height_px), (FRAME_PX.0 / scale, FRAME_PX.1 / scale));
    let green = |x: u32, y: u32| f64::from(picture.rgba[(y * picture.width_px + x) as usize * 4 + 1]);
    let rows = picture.height_px;
    (0..picture.width_px).map(|x| (0..rows).map(|y| green(x, y)).sum::<f64>() / f64::from(rows)).collect()
}

#[test]
fn sharpening_reaches_as_far_on_the_film_in_a_reduced_picture_as_at_full_size() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("edge.tif");
    write_edge(&path);
    let mut session = session_of(vec![scan_ref(&path)]);
    let looks = [
        (Param::SharpenAmount, 1.0),
        (Param::SharpenRadiusPx, 2.0),
        (Param::OvershootLimit, 1.0),
        (Param::RepairStrength, 0.0),
    ];
    for (param, value) in looks {
        let frames = vec![session.frames[0].id];
        session = Edit::SetParam { frames, param, value }.apply(&session).expect("applies");
    }
    let engine = Engine::new();
    // A radius of 2 scan pixels is one of 2, 1 and 0.5 pixels in pictures of these sizes. The peak beside a step from
    // 0.2 to 0.8 sharpened by 1 with such radii is known from scipy's gaussian_filter1d (see the tests of `sharpness`).
    for (scale, peak) in [(1, 1.040_159), (2, 0.980_317), (4, 0.864_029)] {
        let halo = (peak - 0.8) / 0.6;
        let columns = columns(&engine, &session, scale);
        let (dark, bright) = (columns[4], columns[columns.len() - 5]);
        let (low, high) =
            columns.iter().fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(*v), high.max(*v)));
        assert!(low > 0.5 && high < 254.5, "no halo is clipped: {low} to {high}");
        let step = bright - dark;
        for (end, measured) in [("bright", (high - bright) / step), ("dark", (dark - low) / step)] {
            assert!((measured - halo).abs() < 0.01, "1:{scale}, {end}: halo {measured}, not {halo}");
        }
    }
}

#[test]
fn a_picture_that_is_no_longer_wanted_is_neither_finished_nor_handed_over() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("edge.tif");
    write_edge(&path);
    let session = session_of(vec![scan_ref(&path)]);
    let cancel = CancelToken::new();
    cancel.cancel();
    let outcome = Engine::new().preview(&request(&session, 1), &cancel, &|_| panic!("it was handed over"));
    assert!(matches!(outcome, Err(EngineError::Cancelled)), "{outcome:?}");
}
