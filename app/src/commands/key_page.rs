//! The page of the guide that lists the keys, made from their table.

use egui::{Key, Modifiers};

use super::key_table::{KeyGroup, TABLE};

const HEAD: &str = "\
# Keys

Letters work while no text is being typed; arrows and `Delete` act on the box \
that has the keyboard. `Tab` goes from control to control; arrows change a value, with Shift in large steps, with Alt in \
small ones. `Esc` closes the topmost pane, or puts the tool down.
";

/// The page, in Markdown.
pub fn page() -> String {
    let mut page = HEAD.to_owned();
    for group in KeyGroup::ALL {
        page.push_str(&format!("\n## {}\n| key | what it does |\n|---|---|\n", capitalised(group.label())));
        for (keys, text) in lines(group) {
            let keys: Vec<String> = keys.iter().map(|keys| format!("`{keys}`")).collect();
            page.push_str(&format!("| {} | {text} |\n", keys.join(" or ")));
        }
    }
    page
}

fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// Keys of a group with their effect; keys with the same effect share a line.
fn lines(group: KeyGroup) -> Vec<(Vec<String>, &'static str)> {
    let mut lines: Vec<(Vec<String>, &'static str)> = Vec::new();
    for row in TABLE.iter().filter(|row| row.group == group) {
        let keys = shortcut_text(row.modifiers, row.key);
        match lines.iter_mut().find(|(_, text)| *text == row.text) {
            Some((known, _)) => known.push(keys),
            None => lines.push((vec![keys], row.text)),
        }
    }
    lines
}

/// A combination as it is written on a keyboard.
pub fn shortcut_text(modifiers: Modifiers, key: Key) -> String {
    let mut text = String::new();
    for (is_held, name) in [
        (modifiers.command || modifiers.ctrl, "Ctrl + "),
        (modifiers.alt, "Alt + "),
        (modifiers.shift, "Shift + "),
    ] {
        text.push_str(if is_held { name } else { "" });
    }
    let name = match key {
        Key::OpenBracket => "[",
        Key::CloseBracket => "]",
        Key::Period => ".",
        Key::Comma => ",",
        Key::Plus => "+",
        Key::Minus => "−",
        Key::Equals => "=",
        Key::Questionmark => "?",
        Key::ArrowRight => "→",
        Key::ArrowLeft => "←",
        Key::ArrowUp => "↑",
        Key::ArrowDown => "↓",
        Key::PageUp => "Page Up",
        Key::PageDown => "Page Down",
        other => other.name(),
    };
    text.push_str(name);
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_written_as_on_a_keyboard() {
        assert_eq!(shortcut_text(Modifiers::COMMAND.plus(Modifiers::SHIFT), Key::Z), "Ctrl + Shift + Z");
        assert_eq!(shortcut_text(Modifiers::NONE, Key::OpenBracket), "[");
        assert_eq!(shortcut_text(Modifiers::NONE, Key::Num0), "0");
    }

    #[test]
    fn keys_that_do_the_same_share_a_line() {
        let line = "| `Page Down` or `.` | next frame |";
        assert!(page().contains(line), "{}", page());
    }
}
