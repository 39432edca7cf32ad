//! What the user writes about pictures: typed once for a roll, and for a frame only where it differs.

use super::{Frame, Roll, Session};

/// Facts as free text; an empty one is not known, or is as one level above.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Facts {
    /// What the picture shows.
    pub caption: String,
    /// Photographer.
    pub creator: String,
    /// Rights line.
    pub rights: String,
    /// Keywords, separated by commas.
    pub keywords: String,
    /// Where it was taken.
    pub place: String,
    /// When it was taken, in the user's words: “about 1987”, or a date such as 1987-06-21.
    pub date_shot: String,
    /// Name of the film, as the user calls it.
    pub film: String,
    pub camera: String,
    pub lens: String,
    pub notes: String,
}

/// A text among the facts.
type Field = fn(&mut Facts) -> &mut String;

impl Facts {
    /// Every fact: its key in files and tables, its name on screen, an example, and the text itself.
    pub const FIELDS: [(&'static str, &'static str, &'static str, Field); 10] = [
        ("caption", "caption", "what the picture shows", |facts| &mut facts.caption),
        ("creator", "creator", "who took the picture", |facts| &mut facts.creator),
        ("rights", "copyright", "for example © 1987 the photographer", |facts| &mut facts.rights),
        ("keywords", "keywords", "for example pier, fog", |facts| &mut facts.keywords),
        ("place", "place", "for example the old harbour", |facts| &mut facts.place),
        ("date_shot", "date shot", "for example about 1987, or 1987-06-21", |facts| &mut facts.date_shot),
        ("film", "film", "as you call it", |facts| &mut facts.film),
        ("camera", "camera", "as you call it", |facts| &mut facts.camera),
        ("lens", "lens", "as you call it", |facts| &mut facts.lens),
        ("notes", "notes", "", |facts| &mut facts.notes),
    ];

    /// These facts, with those of one level above where they are empty.
    #[must_use]
    pub fn over(mut self, above: &Self) -> Self {
        let mut above = above.clone();
        for (_, _, _, field) in Self::FIELDS {
            if field(&mut self).trim().is_empty() {
                std::mem::swap(field(&mut self), field(&mut above));
            }
        }
        self
    }

    /// Whether nothing is written.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Keywords one by one.
    pub fn keyword_list(&self) -> Vec<String> {
        let words = self.keywords.split([',', ';', '\n']).map(str::trim).filter(|word| !word.is_empty());
        words.map(str::to_owned).collect()
    }

    /// The date shot as `YYYY:MM:DD HH:MM:SS` or its first parts, if the text is such a date and no more.
    pub fn date_shot_parts(&self) -> Option<String> {
        let text = self.date_shot.trim().replace('T', " ");
        let (date, time) = text.split_once(' ').map_or((&*text, None), |(date, time)| (date, Some(time)));
        let date: Vec<&str> = date.split(['-', ':']).collect();
        let in_range = |part: &str, digits: usize, (low, high): (u32, u32)| {
            let is_number = part.len() == digits && part.bytes().all(|byte| byte.is_ascii_digit());
            is_number && part.parse().is_ok_and(|number: u32| (low..=high).contains(&number))
        };
        let ranges = [(4, (1800, 9999)), (2, (1, 12)), (2, (1, 31))];
        let is_date = (1..=3).contains(&date.len())
            && date.iter().zip(ranges).all(|(part, (digits, range))| in_range(part, digits, range));
        let date = is_date.then(|| date.join(":"))?;
        let Some(time) = time else { return Some(date) };
        let clock: Vec<&str> = time.split(':').collect();
        let is_time = date.len() == 10
            && (2..=3).contains(&clock.len())
            && clock.iter().zip([23, 59, 59]).all(|(part, most)| in_range(part, 2, (0, most)));
        let seconds = if clock.len() == 2 { ":00" } else { "" };
        is_time.then(|| format!("{date} {time}{seconds}"))
    }
}

impl Session {
    /// The roll of a frame, if something is written about it.
    pub fn roll_of(&self, frame: &Frame) -> Option<&Roll> {
        let id = self.strip(frame.strip)?.roll?;
        self.rolls.iter().map(|roll| &**roll).find(|roll| roll.id == id)
    }

    /// What is known about every frame.
    pub fn facts_of_all(&self) -> Facts {
        Facts {
            caption: self.output.caption.clone(),
            creator: self.output.creator.clone(),
            rights: self.output.copyright.clone(),
            ..Facts::default()
        }
    }

    /// What holds for a frame where nothing is written about it: the facts of its roll, else those of every file.
    pub fn facts_above(&self, frame: &Frame) -> Facts {
        let all = self.facts_of_all();
        self.roll_of(frame).map(|roll| roll.facts.clone().over(&all)).unwrap_or(all)
    }

    /// What is known about a frame: its own facts, else those above it.
    pub fn facts_of(&self, frame: &Frame) -> Facts {
        (*frame.facts).clone().over(&self.facts_above(frame))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn facts_of_a_roll_stand_where_those_of_the_frame_are_empty() {
        let roll = Facts { film: "slow".to_owned(), place: "pier".to_owned(), ..Facts::default() };
        let frame = Facts { place: "lighthouse".to_owned(), lens: " ".to_owned(), ..Facts::default() };
        let both = frame.over(&roll);
        assert_eq!((both.film.as_str(), both.place.as_str(), both.lens.trim()), ("slow", "lighthouse", ""));
        let words = Facts { keywords: " pier,, fog;night ".to_owned(), ..Facts::default() };
        assert_eq!(words.keyword_list(), ["pier", "fog", "night"]);
    }

    #[test]
    fn only_a_date_that_is_meant_as_one_becomes_a_date() {
        for (text, date) in [
            ("1987", Some("1987")),
            ("1987-06", Some("1987:06")),
            (" 1987-06-21 ", Some("1987:06:21")),
            ("1987:06:21 14:05", Some("1987:06:21 14:05:00")),
            ("1987-06-21T14:05:09", Some("1987:06:21 14:05:09")),
            ("about 1987", None),
            ("87", None),
            ("1987-13", None),
            ("1987-06 14:05", None),
            ("1987-06-21 25:00", None),
            ("", None),
        ] {
            let facts = Facts { date_shot: text.to_owned(), ..Facts::default() };
            assert_eq!(facts.date_shot_parts().as_deref(), date, "{text}");
        }
    }
}
