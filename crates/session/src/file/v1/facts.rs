//! What is written about rolls and frames, in version 1 of the session file.

use serde::{Deserialize, Serialize};

use crate::model::{self, RollId};

#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Roll {
    id: u32,
    #[serde(default)]
    title: String,
    #[serde(flatten)]
    facts: Facts,
}

/// What is written about a roll or a frame.
#[derive(Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Facts {
    #[serde(skip_serializing_if = "String::is_empty")]
    caption: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    creator: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    rights: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    keywords: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    place: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    date_shot: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    film: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    camera: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    lens: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    notes: String,
}

impl Facts {
    pub(super) fn from_model(facts: &model::Facts) -> Self {
        let model::Facts { caption, creator, rights, keywords, place, date_shot, film, camera, lens, notes } =
            facts.clone();
        Self { caption, creator, rights, keywords, place, date_shot, film, camera, lens, notes }
    }

    pub(super) fn into_model(self) -> model::Facts {
        let Self { caption, creator, rights, keywords, place, date_shot, film, camera, lens, notes } = self;
        model::Facts { caption, creator, rights, keywords, place, date_shot, film, camera, lens, notes }
    }
}

impl Roll {
    pub(super) fn from_model(roll: &model::Roll) -> Self {
        Self { id: roll.id.0, title: roll.title.clone(), facts: Facts::from_model(&roll.facts) }
    }

    pub(super) fn into_model(self) -> model::Roll {
        model::Roll { id: RollId(self.id), title: self.title, facts: self.facts.into_model() }
    }
}
