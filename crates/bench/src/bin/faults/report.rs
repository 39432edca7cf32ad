//! The results page: one row per part, replaced when the part runs again.

use std::path::{Path, PathBuf};

use crate::tally::Tally;

const HEAD: &str = "\
# Faults

Written by `cargo run --release -p glassine-bench --bin faults` (see `DEVELOPERS.md`); each row is the last full run
of that part, `--only PART` repeats it. With no failure in n trials the rate is below 3/n at 95 % confidence. Every run
of the program is traced: a scan that is opened for writing, renamed, removed, or changed in inode, time or content is a
failure of the part.

| part | what is done, and what must hold | trials | failures | bound | seed | seconds | remarks |
|---|---|---|---|---|---|---|---|
";

/// Replaces the earlier row of a part.
pub(crate) fn replace_row(tally: &Tally) -> std::io::Result<()> {
    let path = page();
    let earlier = std::fs::read_to_string(&path).unwrap_or_default();
    let start = format!("| {} |", tally.name());
    let mut rows: Vec<String> = earlier
        .lines()
        .filter(|line| line.starts_with("| ") && !line.starts_with("| part |") && !line.starts_with(&start))
        .map(str::to_owned)
        .collect();
    rows.push(row(tally));
    rows.sort();
    std::fs::write(path, format!("{HEAD}{}\n", rows.join("\n")))
}

fn page() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/FAULTS.md")
}

fn row(tally: &Tally) -> String {
    let remarks = match &tally.skipped {
        Some(why) => format!("skipped: {why}"),
        None => tally.remarks.join("; "),
    };
    format!(
        "| {} | {} | {} | {} | {} | {} | {:.0} | {} |",
        tally.name(),
        what(tally),
        tally.trials,
        tally.failures.len(),
        tally.bound(),
        tally.seed,
        tally.seconds,
        remarks.replace('|', "/").replace('\n', " ")
    )
}

fn what(tally: &Tally) -> &'static str {
    use crate::Part;
    match tally.part {
        Part::SaveKills => {
            "SIGKILL at a random moment of saving: the last acknowledged save is there, whole; no part is left after the next start"
        }
        Part::ExportKills => {
            "SIGKILL at a random moment of an export over earlier pictures or into an empty folder: every file whole; no part left after the next start"
        }
        Part::AutosaveKills => {
            "SIGKILL at a random moment of autosaving: the last acknowledged edit is recovered"
        }
        Part::Signals => "INT, TERM, HUP at a random moment: no parts left, files whole, an exit that tells",
        Part::Calls => "the Nth call fails, for each N, call and errno: a message, nothing lost, no abort",
        Part::MemoryCalls => {
            "the Nth mmap, brk, mremap or clone3 fails: nothing lost; ends are counted by kind"
        }
        Part::Disk => "free space swept: earlier files kept, the message tells of the space, no parts",
        Part::Power => {
            "ext4 shut down without a flush while saving, mounted again: every acknowledged save is there, whole"
        }
        Part::Together => {
            "several programs save one session: every save is in the file, the others were told"
        }
        Part::Limits => {
            "2 000 scans with 256 handles; low limits of memory, threads, file size: a message, never an abort"
        }
        Part::Scans => "mutated TIFF, PNG, JPEG opened and read: no panic, none over 1 s, memory cap kept",
        Part::Sessions => "mutated session files: the same",
        Part::Profiles => "mutated ICC profiles: the same",
        Part::Names => "random base and frame names: the same, and never a path outside the folder",
        Part::Damaged => "damaged picture data: whatever carries a checksum is told",
        Part::Window => {
            "the real window: calls fail while it opens; killed after an edit, the edit is recovered"
        }
        Part::Suite => "the whole test suite: the open data is never opened for writing",
    }
}
