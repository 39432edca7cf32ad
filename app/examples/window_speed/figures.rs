//! A table of figures, and its place between two marks of a page.

use std::fmt;
use std::path::Path;

const BEGIN: &str = "<!-- window:begin -->";
const END: &str = "<!-- window:end -->";

/// One line of the table.
#[derive(Debug)]
pub(crate) struct Row {
    what: String,
    found: String,
    goal: &'static str,
}

impl Row {
    pub(crate) fn new(what: String, found: String, goal: &'static str) -> Self {
        Self { what, found, goal }
    }
}

impl fmt::Display for Row {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "| {} | {} | {} |", self.what, self.found, self.goal)
    }
}

/// All results, with the machine's cores and load.
#[derive(Debug)]
pub(crate) struct Figures {
    rows: Vec<Row>,
    load: String,
    cores: usize,
}

impl Figures {
    pub(crate) fn of_this_machine(rows: Vec<Row>) -> Self {
        let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
        Self {
            rows,
            load: load.split(' ').next().unwrap_or("unknown").to_owned(),
            cores: std::thread::available_parallelism().map_or(1, std::num::NonZero::get),
        }
    }
}

impl fmt::Display for Figures {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "## The window\n")?;
        writeln!(
            f,
            "Made by `cargo run --release -p glassine --example window_speed -- \
             DEMO_FOLDER --into tests/SPEED.md`: Glassine {}, the demo session and a roll of 60 frames, 1600 x 1000 on \
             a virtual display with software GL, {} cores, load {} at the end. \
             p50 / p95 / largest where three figures stand.\n",
            env!("CARGO_PKG_VERSION"),
            self.cores,
            self.load
        )?;
        writeln!(f, "| figure | found | wanted |\n|---|---|---|")?;
        self.rows.iter().try_for_each(|row| writeln!(f, "{row}"))
    }
}

/// Value below which this share of the sorted values is.
pub(crate) fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().saturating_sub(1);
    sorted.get((last as f64 * share).round() as usize).copied().unwrap_or(f64::NAN)
}

/// Median, 95th percentile and largest of some milliseconds.
pub(crate) fn spread(millis: &[f64]) -> String {
    let at = |share| quantile(millis, share);
    format!("{:.1} / {:.1} / {:.1} ms", at(0.5), at(0.95), at(1.0))
}

/// Puts the table between the marks of a page; a page without them gets them at its end.
pub(crate) fn write_section(page: &Path, figures: &Figures) -> std::io::Result<()> {
    let old = match std::fs::read_to_string(page) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => "# Speed\n".to_owned(),
        Err(error) => return Err(error),
    };
    let section = format!("{BEGIN}\n{figures}{END}");
    let new = match (old.find(BEGIN), old.find(END)) {
        (Some(from), Some(to)) if from < to => {
            format!("{}{section}{}", &old[..from], &old[to + END.len()..])
        }
        _ => format!("{}\n\n{section}\n", old.trim_end()),
    };
    std::fs::write(page, new)
}
