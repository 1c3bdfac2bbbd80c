//! Clips that are handed in: received under a limit, looked at, and shown, or refused and gone.

use std::fs::File;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;

use super::Desk;
use super::keep::{CLIPS, clip_name};
use super::player::held;
use crate::basics::fault::said;
use crate::basics::frame::Frame;
use crate::capture::{self, Next, Source};
use crate::logbook::journal::{Entry, make_synced, sync_folder};

/// Frames that may be lost before the first good one.
const LOST_AT_MOST: usize = 100;

/// How a clip that is handed in comes on.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Upload {
    /// Its name, as it was given.
    pub name: String,
    /// Bytes received.
    pub received: u64,
    /// Bytes announced.
    pub total: Option<u64>,
    /// One sentence on where it is.
    pub say: String,
}

/// Why a clip was not taken: one sentence.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotTaken {
    /// Another one is being received, or a sweep is measured.
    #[error("{0}")]
    Busy(String),
    /// It is longer than what is taken.
    #[error("{0}")]
    TooLong(String),
    /// The disk.
    #[error("{0}")]
    Disk(String),
    /// It is no video or picture that is read.
    #[error("{0}")]
    NoVideo(String),
}

/// A clip while it is received; one that is dropped before its end leaves nothing.
pub struct ClipInHand {
    desk: Arc<Desk>,
    path: PathBuf,
    file: File,
    received: u64,
    done: bool,
}

impl Desk {
    /// Begins to receive a clip; `total` is its announced length.
    ///
    /// # Errors
    /// Another one is being received, a sweep is under way, it is too long, or the disk.
    pub fn begin_clip(
        self: &Arc<Self>,
        name: &str,
        total: Option<u64>,
    ) -> Result<ClipInHand, NotTaken> {
        if let Some(total) = total {
            self.within_limit(total)?;
        }
        self.no_sweep()?;
        let shown: String = name.chars().filter(|c| !c.is_control()).take(100).collect();
        let mut upload = held(&self.upload);
        if upload.1 {
            return Err(NotTaken::Busy(
                "another clip is being handed in; wait until it is there".to_owned(),
            ));
        }
        let folder = self.options.logbook.join(CLIPS);
        let number = held(&self.journal).next_number();
        let path = folder.join(clip_name(name, number));
        let file = make_synced(&folder)
            .and_then(|()| File::create(&path))
            .map_err(|error| {
                NotTaken::Disk(format!(
                    "the clip cannot be kept in {} ({error}); make room on the disk",
                    folder.display(),
                    error = said(&error)
                ))
            })?;
        *upload = (
            Some(Upload {
                say: format!("{shown} is being received."),
                name: shown,
                received: 0,
                total,
            }),
            true,
        );
        drop(upload);
        self.shared.changed();
        Ok(ClipInHand {
            desk: Arc::clone(self),
            path,
            file,
            received: 0,
            done: false,
        })
    }

    /// A clip takes the place of the source, which a sweep that is under way would not survive.
    fn no_sweep(&self) -> Result<(), NotTaken> {
        if held(&self.sweep).is_none() {
            return Ok(());
        }
        Err(NotTaken::Busy(
            "a sweep is being measured; end it, then hand the clip in again".to_owned(),
        ))
    }

    fn within_limit(&self, bytes: u64) -> Result<(), NotTaken> {
        let limit = self.options.clip_limit_bytes;
        if bytes <= limit {
            return Ok(());
        }
        Err(NotTaken::TooLong(format!(
            "the clip is longer than the {} MB that are taken; cut it to the sweep, or copy it to this machine and give it with --source",
            limit / 1_000_000
        )))
    }

    /// How the clip that is handed in, or was last, comes on.
    #[must_use]
    pub fn upload(&self) -> Option<Upload> {
        held(&self.upload).0.clone()
    }

    fn say_upload(&self, say: String) {
        if let Some(upload) = &mut held(&self.upload).0 {
            upload.say = say;
        }
        self.shared.changed();
    }
}

impl ClipInHand {
    /// Takes the next bytes.
    ///
    /// # Errors
    /// It grows too long, or the disk.
    pub fn write(&mut self, bytes: &[u8]) -> Result<(), NotTaken> {
        self.received += bytes.len() as u64;
        let taken = self.desk.within_limit(self.received).and_then(|()| {
            self.file.write_all(bytes).map_err(|error| {
                NotTaken::Disk(format!(
                    "the clip cannot be kept ({error}); make room on the disk",
                    error = said(&error)
                ))
            })
        });
        match &taken {
            Ok(()) => {
                if let Some(upload) = &mut held(&self.desk.upload).0 {
                    upload.received = self.received;
                }
                self.desk.shared.changed();
            }
            Err(why) => self.desk.say_upload(why.to_string()),
        }
        taken
    }

    /// Looks whether it is a video, and shows it.
    ///
    /// # Errors
    /// It is none, or none that this program reads; a sweep that began meanwhile; the disk.
    pub fn finish(mut self) -> Result<String, NotTaken> {
        let desk = Arc::clone(&self.desk);
        let shown = held(&desk.upload).0.clone().unwrap_or_default().name;
        let said_too = |why: NotTaken| {
            desk.say_upload(why.to_string());
            why
        };
        self.file
            .sync_all()
            .and_then(|()| self.path.parent().map_or(Ok(()), sync_folder))
            .map_err(|error| {
                said_too(NotTaken::Disk(format!(
                    "{shown} cannot be brought to the disk ({error}); make room on it and hand it in again",
                    error = said(&error)
                )))
            })?;
        if let Err(why) = self.first_frame() {
            // The place where it lay is of no use to whoever sent it.
            let why = why.replace(&self.path.display().to_string(), &shown);
            let said = format!(
                "{shown} is not shown, since no video or picture could be read in it: {why}"
            );
            return Err(said_too(NotTaken::NoVideo(said)));
        }
        // Held, so that no sweep begins between the question and the change.
        let one = held(&desk.keeping);
        desk.no_sweep().map_err(said_too)?;
        let source = Source::Path(self.path.clone());
        desk.take_source(&source)
            .map_err(|error| said_too(NotTaken::NoVideo(error.to_string())))?;
        drop(one);
        self.done = true;
        let name = self.path.file_name().map_or_else(String::new, |name| {
            format!("{CLIPS}/{}", name.to_string_lossy())
        });
        desk.append(Entry::Source { name })
            .map_err(|refused| said_too(NotTaken::Disk(refused.0)))?;
        let said = format!("{shown} is there and plays.");
        desk.say_upload(said.clone());
        Ok(said)
    }

    fn first_frame(&self) -> Result<(), String> {
        let source = Source::Path(self.path.clone());
        let mut stream =
            capture::open(&source, &self.desk.options.open).map_err(|error| error.to_string())?;
        let mut frame = Frame::empty();
        let mut why = "it holds no frame".to_owned();
        for _ in 0..LOST_AT_MOST {
            match stream.next_into(&mut frame) {
                Ok(Next::Frame) => return Ok(()),
                Ok(Next::Lost { why: lost, .. }) => why = lost,
                Ok(Next::End) => break,
                Ok(_) => {}
                Err(error) => return Err(error.to_string()),
            }
        }
        Err(why)
    }
}

impl Drop for ClipInHand {
    fn drop(&mut self) {
        if !self.done {
            // It was never acknowledged; what remains of it would only take room.
            let _ = std::fs::remove_file(&self.path);
        }
        let mut upload = held(&self.desk.upload);
        upload.1 = false;
    }
}
