//! What is written about the frames of a roll, as a table for any program (CSV), and back.

use std::sync::Arc;

use glassine_session::{Edit, Facts, Frame, Session};

/// Columns that say which frame a row is about: its number as shown, its id, the place of its strip, its roll. A row
/// is taken for the frame of its id if it has one, else for the one of its number.
const PLACE: [&str; 4] = ["frame", "id", "strip", "roll"];
/// Name of the frame's files in place of base name and counter.
const FILE_NAME: &str = "file_name";

/// A record after RFC 4180.
fn record(cells: &[String]) -> String {
    let cell = |text: &String| match text.contains(['"', ',', ';', '\t', '\n', '\r']) {
        true => format!("\"{}\"", text.replace('"', "\"\"")),
        false => text.clone(),
    };
    cells.iter().map(cell).collect::<Vec<_>>().join(",") + "\r\n"
}

/// The records of a table after RFC 4180 with their row numbers from 1, with another mark between cells if need be. Empty
/// rows are left out.
fn records(text: &str, mark: char) -> Result<Vec<(usize, Vec<String>)>, String> {
    let (mut rows, mut row, mut cell) = (Vec::new(), Vec::new(), String::new());
    let (mut number, mut is_quoted, mut chars) = (1, false, text.chars().peekable());
    while let Some(c) = chars.next() {
        match c {
            '"' if is_quoted && chars.peek() == Some(&'"') => cell.extend(chars.next()),
            '"' if is_quoted || cell.is_empty() => is_quoted = !is_quoted,
            c if c == mark && !is_quoted => row.push(std::mem::take(&mut cell)),
            '\r' if !is_quoted && chars.peek() == Some(&'\n') => {}
            '\n' if !is_quoted => {
                row.push(std::mem::take(&mut cell));
                rows.push((number, std::mem::take(&mut row)));
                number += 1;
            }
            c => cell.push(c),
        }
    }
    if is_quoted {
        return Err(format!("row {number}: a quotation mark has no closing one"));
    }
    row.push(cell);
    rows.push((number, row));
    rows.retain(|(_, row)| row.iter().any(|cell| !cell.trim().is_empty()));
    Ok(rows)
}

/// The table of a session: a row for each frame, with its own facts. Empty cells are as the roll says.
pub(crate) fn table_of(session: &Session) -> String {
    let fields = Facts::FIELDS.map(|(key, ..)| key);
    let head: Vec<String> = PLACE.into_iter().chain([FILE_NAME]).chain(fields).map(str::to_owned).collect();
    let mut table = record(&head);
    for frame in &session.frames {
        let roll = session.roll_of(frame).map_or(&*session.title, |roll| &*roll.title);
        let mut facts = Facts::clone(&frame.facts);
        let mut row = vec![
            session.number_text(frame),
            frame.id.to_string(),
            session.strip_place(frame.strip).to_string(),
            roll.to_owned(),
            frame.name.clone().unwrap_or_default(),
        ];
        row.extend(Facts::FIELDS.map(|(_, _, _, field)| field(&mut facts).clone()));
        table.push_str(&record(&row));
    }
    table
}

/// The frame of a row: the one with this number, which must have this id if one is given.
fn frame_of_row(session: &Session, named: &str, id: Option<&str>) -> Result<Arc<Frame>, String> {
    let found: Vec<_> = session.frames_named(named).collect();
    let frame = match (found.as_slice(), id) {
        ([], _) => return Err(format!("no frame “{named}”")),
        ([frame], None) => frame,
        (several, None) => {
            return Err(format!("{} frames have the number {named}; keep the column “id”", several.len()));
        }
        (some, Some(id)) => some.iter().find(|frame| frame.id.to_string() == id).ok_or_else(|| {
            format!("the frame with the id {id} is not frame {named}; write a new table, or leave the id out")
        })?,
    };
    Ok(Arc::clone(frame))
}

/// The changes that a table asks for.
pub(crate) fn edits_of(session: &Session, bytes: &[u8]) -> Result<Vec<Edit>, String> {
    let text = std::str::from_utf8(bytes).map_err(|_not_text| "it is not UTF-8; save it as such")?;
    let text = text.trim_start_matches('\u{feff}');
    let head = text.lines().next().unwrap_or_default();
    let mark = [',', ';', '\t'].into_iter().max_by_key(|mark| head.matches(*mark).count()).unwrap_or(',');
    let mut rows = records(text, mark)?.into_iter();
    let (_, head) = rows.next().unwrap_or_default();
    let columns: Vec<String> = head.iter().map(|name| name.trim().to_lowercase()).collect();
    let column = |name: &str| columns.iter().position(|column| column == name);
    if column("frame").is_none() {
        return Err("it has no column “frame”".to_owned());
    }
    let (mut edits, mut all) = (Vec::new(), Vec::new());
    for (number, row) in rows {
        let cell = |name: &str| column(name).and_then(|at| row.get(at)).map(|cell| cell.trim());
        let named = cell("frame").unwrap_or_default();
        let id = cell("id").filter(|id| !id.is_empty());
        let frame = frame_of_row(session, named, id).map_err(|why| format!("row {number}: {why}"))?;
        let mut facts = Facts::clone(&frame.facts);
        for (key, _, _, field) in Facts::FIELDS {
            if let Some(text) = cell(key) {
                text.clone_into(field(&mut facts));
            }
        }
        if facts != *frame.facts {
            all.push((frame.id, facts));
        }
        if let Some(name) = cell(FILE_NAME) {
            let name = Some(name.to_owned()).filter(|name| !name.is_empty());
            if name != frame.name {
                edits.push(Edit::SetFrameName { frame: frame.id, name });
            }
        }
    }
    if !all.is_empty() {
        edits.push(Edit::SetFacts(all));
    }
    Ok(edits)
}

#[cfg(test)]
mod tests {
    use glassine_film::FilmKind;
    use glassine_raster::TiltedBox;
    use glassine_session::{FoundStripEdit, NewFrame, ScanRef};

    use super::*;

    fn edited(session: &Session, edits: &[Edit]) -> Result<Session, glassine_session::EditError> {
        edits.iter().try_fold(session.clone(), |session, edit| edit.apply(&session))
    }

    fn session() -> Session {
        let scan = ScanRef { width_px: 900, height_px: 300, ..ScanRef::default() };
        let session = Edit::AddScans(vec![scan]).apply(&Session::default()).expect("adds");
        let film = FilmKind::Slide;
        let frames = [0.0, 300.0].map(|x| NewFrame::in_box(TiltedBox::from_edges(x, 0.0, x + 200.0, 200.0)));
        let strip = FoundStripEdit { frames: frames.to_vec(), ..Default::default() };
        let stock_id = glassine_film::default_stock(film).id.clone();
        let scan = session.scans[0].id;
        Edit::ReplaceStrips { scan, film, stock_id, strips: vec![strip], keep: vec![] }
            .apply(&session)
            .expect("applies")
    }

    #[test]
    fn a_table_with_any_text_comes_back_as_it_was() {
        let session = session();
        let facts = Facts {
            caption: "a \"pier\", in\nfog; really".to_owned(),
            date_shot: "about 1987".to_owned(),
            keywords: "fog, é".to_owned(),
            ..Facts::default()
        };
        let id = session.frames[1].id;
        let name = Edit::SetFrameName { frame: id, name: Some("pier, old".to_owned()) };
        let written = edited(&session, &[Edit::SetFacts(vec![(id, facts)]), name]).expect("applies");
        let table = table_of(&written);
        assert!(edits_of(&written, table.as_bytes()).expect("reads").is_empty());
        let back = edited(&session, &edits_of(&session, table.as_bytes()).expect("reads")).expect("applies");
        assert_eq!(back.frames, written.frames);
    }

    #[test]
    fn tables_of_other_programs_are_read_and_wrong_ones_are_refused() {
        let session = session();
        let table = "\u{feff}Place;FRAME;other\r\npier;01;x\r\n";
        let edits = edits_of(&session, table.as_bytes()).expect("reads");
        let back = edited(&session, &edits).expect("applies");
        assert_eq!((back.frames[0].facts.place.as_str(), back.frames[1].facts.is_empty()), ("pier", true));
        assert!(edits_of(&session, b"place\npier\n").is_err());
        assert!(
            edits_of(&session, b"frame,place\n77777,pier\n").expect_err("no such frame").contains("row 2")
        );
    }

    #[test]
    fn a_row_is_about_the_frame_of_its_number_and_a_wrong_id_is_refused() {
        let mut session = session();
        let ids = [0, 1].map(|idx| session.frames[idx].id.to_string());
        assert!(!ids.contains(&"2".to_owned()), "number and id differ in this session: {ids:?}");
        let edits = edits_of(&session, b"frame,file_name\n2,pier\n").expect("reads");
        assert_eq!(edited(&session, &edits).expect("applies").frames[1].name.as_deref(), Some("pier"));
        let [first, second] = &ids;
        assert!(edits_of(&session, format!("frame,id,place\n2,{second},pier\n").as_bytes()).is_ok());
        let why = edits_of(&session, format!("frame,id,place\n2,{first},pier\n").as_bytes());
        assert!(why.expect_err("another frame").contains("row 2"));
        // Frames of two films may have the same number.
        for frame in &mut session.frames {
            Arc::make_mut(frame).number = 7;
        }
        assert!(edits_of(&session, b"frame,place\n7,pier\n").expect_err("which?").contains("2 frames"));
        let table = format!("frame,id,place\n7,{second},pier\n");
        let edits = edits_of(&session, table.as_bytes()).expect("reads");
        assert_eq!(edited(&session, &edits).expect("applies").frames[1].facts.place, "pier");
    }

    #[test]
    fn what_is_wrong_with_a_table_is_told_with_the_row_that_a_spreadsheet_shows() {
        let session = session();
        let [first, second] = [0, 1].map(|idx| session.number_text(&session.frames[idx]));
        for (table, row) in [
            (format!("frame,place\n{first},\"pier\n{second},quay\n"), "row 2"),
            (format!("frame,place\n{first},\"a pier,\nin fog\"\n\n{second},\"quay"), "row 4"),
            (format!("frame,place\n{first},pier\n,\n77777,quay\n"), "row 4"),
        ] {
            let why = edits_of(&session, table.as_bytes()).expect_err("is refused");
            assert!(why.contains(row), "{table:?}: {why}");
        }
    }
}
