//! The tracks of a sweep as a table: every line in every frame, `frame,t_s,line,x_px,u_px,offset_px,level,saturated`.

use std::io::{Read, Write};

use serde::Deserialize;

use crate::follow::{FollowedLine, TrackPoint};

/// One line in one frame, as the table holds it.
#[derive(Deserialize)]
struct Row {
    frame: u64,
    t_s: f64,
    line: usize,
    x_px: f64,
    u_px: f64,
    offset_px: Option<f64>,
    level: f64,
    saturated: bool,
}

/// Names of the columns.
const COLUMNS: [&str; 8] = [
    "frame",
    "t_s",
    "line",
    "x_px",
    "u_px",
    "offset_px",
    "level",
    "saturated",
];

/// Writes the tracks of all lines, frame by frame.
///
/// # Errors
/// What the writer underneath says.
pub fn write(lines: &[FollowedLine], out: impl Write) -> Result<(), csv::Error> {
    let mut writer = csv::Writer::from_writer(out);
    writer.write_record(COLUMNS)?;
    let mut points: Vec<_> = lines
        .iter()
        .flat_map(|line| line.track.iter().map(move |point| (line.line, point)))
        .collect();
    points.sort_by_key(|(line, point)| (point.frame, *line));
    for (line, point) in points {
        writer.write_record([
            point.frame.to_string(),
            format!("{:.6}", point.time_s),
            line.to_string(),
            format!("{:.4}", point.x_px),
            format!("{:.4}", point.u_px),
            point
                .offset_px
                .map(|offset| format!("{offset:.4}"))
                .unwrap_or_default(),
            format!("{:.4}", point.level),
            point.saturated.to_string(),
        ])?;
    }
    writer.flush()?;
    Ok(())
}

/// Reads a table of tracks and hands on each point with the number of its line, frame by frame.
///
/// # Errors
/// Other columns, a row that is none, or what the reader underneath says; the points before it were handed on.
pub fn read(from: impl Read, mut take: impl FnMut(usize, TrackPoint)) -> Result<(), csv::Error> {
    let mut reader = csv::Reader::from_reader(from);
    if reader.headers()? != COLUMNS[..] {
        return Err(std::io::Error::other("the columns are not those of a track").into());
    }
    for row in reader.deserialize() {
        let row: Row = row?;
        let point = TrackPoint {
            frame: row.frame,
            time_s: row.t_s,
            x_px: row.x_px,
            u_px: row.u_px,
            offset_px: row.offset_px,
            level: row.level,
            saturated: row.saturated,
        };
        take(row.line, point);
    }
    Ok(())
}
