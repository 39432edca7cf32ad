//! Stocks on the command line: measured, written, and used for a new session.

use crate::common::{IMAGES, chart_pixels, session, write_pixels, write_session};
use clap::Parser as _;
use glassine_app::cli::{Cli, Outcome, run};
use glassine_film::Stock;
use glassine_raster::CancelToken;
use glassine_session::file;

fn glassine(args: &[&str]) -> Outcome {
    let cli = Cli::try_parse_from(std::iter::once("glassine").chain(args.iter().copied()));
    let command = cli.expect("the arguments are known").command.expect("a command was given");
    run(&command, &CancelToken::new())
}

/// Corners of the chart on the first frame.
fn corners() -> String {
    let (x0, y0, x1, y1) = IMAGES[0];
    let (x, y) = ((x0 + x1) / 2.0, (y0 + y1) / 2.0);
    let h = (y1 - y0 - 24.0) * 0.38;
    let w = h * 1.5;
    format!("{},{} {},{} {},{} {},{}", x - w, y - h, x + w, y - h, x + w, y + h, x - w, y + h)
}

#[test]
fn a_stock_is_measured_saved_and_used_for_the_strip() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_pixels(folder.path(), &chart_pixels(false));
    let path = write_session(folder.path(), &session(&scan, None));
    let stock = folder.path().join("quay.stock.json");
    let (path_text, stock_text) = (path.display().to_string(), stock.display().to_string());
    let args = |more: &[&str]| {
        let mut args: Vec<String> =
            ["measure-stock", &path_text, "--frame", "1", "--corners"].map(String::from).to_vec();
        args.extend([corners(), "--name".to_owned(), "quay film".to_owned()]);
        args.extend(more.iter().map(|text| (*text).to_owned()));
        args
    };
    let call = |more: &[&str]| {
        let args = args(more);
        glassine(&args.iter().map(String::as_str).collect::<Vec<_>>())
    };
    assert_eq!(call(&["--apply", "strip", "--save", &stock_text, "--json"]), Outcome::Done);
    let text = std::fs::read_to_string(&stock).expect("the file was written");
    let measured = Stock::from_json(&text).expect("a stock file");
    assert_eq!(measured.name, "quay film");
    let saved =
        file::from_json(&std::fs::read(&path).expect("the session is there")).expect("a session").session;
    assert_eq!(saved.strips[0].stock_id, measured.id);
    assert_eq!(saved.stocks.len(), 1);
    // An existing file stays, unless the caller asks to replace it.
    assert_eq!(call(&["--save", &stock_text]), Outcome::CannotStart);
    assert_eq!(call(&["--save", &stock_text, "--replace"]), Outcome::Done);
}

#[test]
fn the_printing_of_the_chart_is_named_by_the_person() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_pixels(folder.path(), &chart_pixels(false));
    let path = write_session(folder.path(), &session(&scan, None)).display().to_string();
    let corners = corners();
    let measured = |name: &str, chart: &[&str]| {
        let place = folder.path().join(name).display().to_string();
        let mut args = vec!["measure-stock", &path, "--frame", "1", "--corners", &corners, "--name", "x"];
        args.extend(["--save", &place]);
        args.extend(chart);
        assert_eq!(glassine(&args), Outcome::Done, "{args:?}");
        Stock::from_json(&std::fs::read_to_string(&place).expect("the file was written")).expect("a stock")
    };
    let plain = measured("plain.json", &[]);
    assert_eq!(measured("iso.json", &["--chart", "iso17321"]), plain);
    assert_ne!(measured("new.json", &["--chart", "since-2014"]).curves, plain.curves);
    let unknown = ["measure-stock", &path, "--frame", "1", "--corners", "", "--name", "x", "--chart", "old"];
    assert!(Cli::try_parse_from(std::iter::once("glassine").chain(unknown)).is_err());
}

#[test]
fn corners_densities_and_frames_that_make_no_sense_are_refused() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_pixels(folder.path(), &chart_pixels(false));
    let path = write_session(folder.path(), &session(&scan, None)).display().to_string();
    let good = corners();
    for (frame, corners, wedge) in [
        ("9", good.as_str(), None),
        ("1", "1,2 3,4", None),
        ("1", "0,0 1,0 1,1 0,1", None),
        ("1", &good, Some("0.1,x")),
    ] {
        let mut args = vec!["measure-stock", &path, "--frame", frame, "--corners", corners, "--name", "x"];
        args.extend(wedge.map(|wedge| ["--wedge", wedge]).into_iter().flatten());
        assert_eq!(glassine(&args), Outcome::CannotStart, "{args:?}");
    }
}
