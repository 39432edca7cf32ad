//! The page of the guide about the command line, made from the definitions of the commands.

use clap::{Arg, Command, CommandFactory as _};

use super::Cli;

const HEAD: &str = "\
# Command line

Made from the definitions of the commands in the program; `glassine help COMMAND` prints the same.

`glassine` without a command opens the window, `glassine FILE …` opens sessions or scans in it. Every other command works \
without a window and a display. `--json` prints one JSON document, with units in the names of its keys; messages go to the \
error stream.

| ends with | when |
|---|---|
| 0 | done |
| 1 | some frames or scans failed, each named; or a check found something serious |
| 2 | it cannot start |
| 129, 130, 143 | stopped by HUP, Ctrl+C or TERM; finished files stay, no unfinished ones are left |

`--replace` overwrites what the command wrote before, never a scan, an infrared file or a link. Commands that save a session \
lock it first, and stop with an error while a window or another command works on it. A second signal ends a command at once.

`show` ends with 0 even if scans are missing or boxes lie outside them: `scan_state` of a scan (`same`, `missing`, `changed`, \
`size-differs`) and `box_problem` of a frame tell. `export` leaves such frames out, names them and ends with 1. Corners are \
scan pixels measured at pixel edges: (0, 0) is the outer corner of the first pixel.
";

/// The page, in Markdown.
pub fn page() -> String {
    let mut whole = Cli::command();
    whole.build();
    let mut page = HEAD.to_owned();
    for command in
        whole.get_subcommands_mut().filter(|command| !command.is_hide_set() && command.get_name() != "help")
    {
        add(&mut page, command);
    }
    page
}

fn add(page: &mut String, command: &mut Command) {
    let about = command.get_about().map(ToString::to_string).unwrap_or_default();
    let usage = command.render_usage().to_string();
    let usage = usage.trim_start_matches("Usage:").trim();
    page.push_str(&format!("\n## {}\n{about}.\n\n```\n{usage}\n```\n\n", command.get_name()));
    page.push_str("| argument | meaning |\n|---|---|\n");
    for arg in command.get_arguments().filter(|arg| !arg.is_hide_set() && arg.get_id() != "help") {
        page.push_str(&format!("| `{}` | {} |\n", written(arg), meaning(arg)));
    }
}

/// An argument as it is typed.
fn written(arg: &Arg) -> String {
    let takes_values = arg.get_num_args().is_some_and(|count| count.takes_values());
    let value = arg.get_value_names().unwrap_or_default().join(" ");
    let value = value.replace('|', " or ");
    match (arg.get_long(), takes_values) {
        (Some(long), true) => format!("--{long} {value}"),
        (Some(long), false) => format!("--{long}"),
        (None, _) => value,
    }
}

fn meaning(arg: &Arg) -> String {
    let takes_values = arg.get_num_args().is_some_and(|count| count.takes_values());
    let mut text = arg.get_help().map(ToString::to_string).unwrap_or_default();
    let values: Vec<String> = arg
        .get_possible_values()
        .iter()
        .filter(|value| !value.is_hide_set())
        .map(|value| {
            let help = value.get_help().map(|help| format!(" ({})", lower_first(&help.to_string())));
            format!("`{}`{}", value.get_name(), help.unwrap_or_default())
        })
        .collect();
    if takes_values && !values.is_empty() {
        text.push_str(&format!(": {}", values.join(", ")));
    }
    let defaults: Vec<_> = arg.get_default_values().iter().map(|value| value.to_string_lossy()).collect();
    if takes_values && defaults.iter().any(|value| !value.is_empty()) {
        text.push_str(&format!("; `{}` if omitted", defaults.join(" ")));
    }
    text.replace('|', "\\|")
}

fn lower_first(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}
