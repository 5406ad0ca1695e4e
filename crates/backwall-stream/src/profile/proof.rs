//! That a profile was proven on its device: on blocks of known thickness, lifted, and over a measured distance. Kept beside the
//! profile; it counts for that text of it and no other.

use super::{Profile, user_folder};
use backwall_units::Length;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// What was found, by whom and when.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Proof {
    pub by: String,
    /// `2026-09-14`.
    pub day: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub channel: Option<String>,
    /// The profile that was proven, whole.
    pub profile: String,
    #[serde(rename = "block")]
    pub blocks: Vec<ProvenBlock>,
    /// None where the device counts no way, or nothing was driven.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drive: Option<ProvenDrive>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProvenBlock {
    #[serde(rename = "thickness_mm")]
    pub thickness: Length,
    #[serde(rename = "read_mm")]
    pub read: Length,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProvenDrive {
    #[serde(rename = "distance_mm")]
    pub distance: Length,
    #[serde(rename = "read_mm")]
    pub read: Length,
}

#[derive(Debug, thiserror::Error)]
pub enum ProofError {
    #[error("cannot keep the proof in {}: {source}; make the folder, or see that you may write there", path.display())]
    Write { path: PathBuf, source: std::io::Error },
    #[error("the proof cannot be written down: {0}")]
    Form(#[from] toml::ser::Error),
}

/// What a profile's proof comes to.
#[derive(Debug, Clone, PartialEq)]
pub enum ProofStanding {
    Proven(Box<Proof>),
    /// Why not.
    NotProven(String),
}

impl Proof {
    /// `proven on 2026-09-14 by R. Aldane: block 10.00 read 10.01, no echo when lifted, 500 mm driven read 499.6`; in mm.
    pub fn words(&self) -> String {
        let blocks = self.blocks.iter().map(|block| format!("block {:.2} read {:.2}", block.thickness.as_mm(), block.read.as_mm()));
        let mut words: Vec<String> = blocks.collect();
        words.push("no value when lifted".to_owned());
        words.push(match self.drive {
            Some(drive) => format!("{:.0} mm driven read {:.1}", drive.distance.as_mm(), drive.read.as_mm()),
            None => "no distance driven".to_owned(),
        });
        let channel = self.channel.as_ref().map_or_else(String::new, |channel| format!(", channel {channel}"));
        format!("proven on {} by {}{channel}: {} (mm)", self.day, self.by, words.join(", "))
    }
}

impl Profile {
    /// Where the proof of a profile is kept, as it was named for loading.
    pub fn proof_path(name_or_path: &str) -> PathBuf {
        let path = Path::new(name_or_path);
        if path.extension().is_some() || path.components().count() > 1 {
            return path.with_extension("proof.toml");
        }
        user_folder().join(format!("{name_or_path}.proof.toml"))
    }

    /// Keeps a proof beside the profile.
    pub fn keep_proof(name_or_path: &str, proof: &Proof) -> Result<PathBuf, ProofError> {
        let path = Self::proof_path(name_or_path);
        let text = format!(
            "# Kept by `backwall profile prove`. It counts for the profile below as it is, and no other.\n{}",
            toml::to_string(proof)?
        );
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
        let written = folder.map_or(Ok(()), std::fs::create_dir_all).and_then(|()| std::fs::write(&path, text));
        written.map(|()| path.clone()).map_err(|source| ProofError::Write { path, source })
    }

    /// How the profile stands that was loaded by this name or path.
    pub fn standing(&self, name_or_path: &str) -> ProofStanding {
        let path = Self::proof_path(name_or_path);
        let not = |why: String| ProofStanding::NotProven(format!("not proven: {why}"));
        let Ok(text) = super::read_bounded(&path) else {
            return ProofStanding::NotProven("not proven".to_owned());
        };
        let proof: Proof = match toml::from_str(&text) {
            Ok(proof) => proof,
            Err(_) => return not(format!("{} cannot be read", path.display())),
        };
        // A channel that was chosen for this run stands in front of the text.
        let of_text = self.text == proof.profile || self.text.split_once('\n').is_some_and(|(_, rest)| rest == proof.profile);
        if !of_text {
            return not(format!("changed since its proof of {}", proof.day));
        }
        if proof.channel.is_some() && proof.channel != self.channel {
            return not(format!("its proof is of channel {}", proof.channel.as_deref().unwrap_or_default()));
        }
        ProofStanding::Proven(Box::new(proof))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_proof_counts_for_the_text_it_was_made_with_and_no_other() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("quorbel.toml");
        let text = include_str!("../../../../tests/data/stream/quorbel.toml");
        std::fs::write(&path, text).unwrap();
        let name = path.to_str().unwrap();
        let profile = Profile::load(name).unwrap();
        assert_eq!(profile.standing(name), ProofStanding::NotProven("not proven".to_owned()));
        let mm = Length::mm;
        let proof = Proof {
            by: "R. Aldane".to_owned(),
            day: "2026-09-14".to_owned(),
            channel: None,
            profile: profile.text.clone(),
            blocks: vec![ProvenBlock { thickness: mm(10.0), read: mm(10.01) }, ProvenBlock { thickness: mm(20.0), read: mm(19.98) }],
            drive: Some(ProvenDrive { distance: mm(500.0), read: mm(499.6) }),
        };
        let kept = Profile::keep_proof(name, &proof).unwrap();
        assert_eq!(kept, folder.path().join("quorbel.proof.toml"));
        assert_eq!(profile.standing(name), ProofStanding::Proven(Box::new(proof.clone())));
        assert_eq!(
            proof.words(),
            "proven on 2026-09-14 by R. Aldane: block 10.00 read 10.01, block 20.00 read 19.98, no value when lifted, 500 mm driven read 499.6 (mm)"
        );
        assert_eq!(super::super::own(folder.path()), ["quorbel"], "a proof is no profile");
        std::fs::write(&path, text.replace("scale = 10", "scale = 20")).unwrap();
        let changed = Profile::load(name).unwrap().standing(name);
        assert_eq!(changed, ProofStanding::NotProven("not proven: changed since its proof of 2026-09-14".to_owned()));
        std::fs::write(&kept, "by = 3").unwrap();
        assert!(matches!(changed_of(name), ProofStanding::NotProven(why) if why.contains("cannot be read")));
    }

    fn changed_of(name: &str) -> ProofStanding {
        Profile::load(name).unwrap().standing(name)
    }
}
