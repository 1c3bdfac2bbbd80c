//! The list of cameras, for scripts and for the terminal.

use std::fmt::Write;

use serde_json::{Value, json};

use crate::session::{CameraDescription, Control};

/// The body of the document of `cameras`.
#[must_use]
pub fn cameras_document(cameras: &[CameraDescription]) -> Value {
    json!({
        "cameras": cameras.iter().map(|camera| json!({
            "index": camera.index,
            "source": format!("camera:{}", camera.index),
            "name": camera.name,
            "identity": camera.identity,
            "usable": camera.trouble.is_none(),
            "trouble": camera.trouble,
            "chosen": camera.chosen.map(|mode| mode.to_string()),
            "modes": camera.modes.iter().map(|mode| json!({
                "mode": mode.to_string(),
                "width": mode.width,
                "height": mode.height,
                "fps": (mode.interval.0 > 0).then(|| mode.fps()),
                "format": mode.format.four_characters().trim(),
            })).collect::<Vec<_>>(),
            "controls": camera.controls.iter().map(|control| json!({
                "control": control.control,
                "lockable": control.lockable,
                "automatic": control.automatic,
                "value": control.value,
                "min": control.range.map(|(min, _, _)| min),
                "max": control.range.map(|(_, max, _)| max),
                "step": control.range.map(|(_, _, step)| step),
            })).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
    })
}

/// The list of cameras for the terminal.
#[must_use]
pub fn cameras_text(cameras: &[CameraDescription]) -> String {
    if cameras.is_empty() {
        return "This machine has no camera that can be seen; plug one in.".to_owned();
    }
    let mut text = String::new();
    for camera in cameras {
        let _ = writeln!(
            text,
            "camera:{}  {}  ({})",
            camera.index, camera.name, camera.identity
        );
        if camera.trouble.is_some() {
            continue;
        }
        for mode in &camera.modes {
            let taken = if camera.chosen.as_ref() == Some(mode) {
                "  (taken where --mode is not given)"
            } else {
                ""
            };
            let _ = writeln!(text, "    {mode}{taken}");
        }
        for control in &camera.controls {
            let _ = writeln!(text, "    {}", control_line(control));
        }
        if camera.controls.is_empty() {
            text.push_str("    no control of exposure, gain, white balance or focus\n");
        }
    }
    text.trim_end().to_owned()
}

fn control_line(control: &Control) -> String {
    let mut line = control.control.words().to_owned();
    if let Some(value) = control.value {
        let _ = write!(line, " {value}");
    }
    if let Some((min, max, step)) = control.range {
        let _ = write!(line, " of {min} to {max}");
        if step > 1 {
            let _ = write!(line, " in steps of {step}");
        }
    }
    line.push_str(match control.automatic {
        Some(true) => ", automatic at present",
        Some(false) => ", held",
        None => "",
    });
    line.push_str(if control.lockable {
        ", can be locked"
    } else {
        ", cannot be locked"
    });
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::{ControlName, Mode, PixelFormat};

    #[test]
    fn a_camera_is_listed_with_what_can_be_locked() {
        let mode = Mode {
            format: PixelFormat::Yuyv,
            width: 640,
            height: 480,
            interval: (1, 30),
        };
        let camera = CameraDescription {
            index: 2,
            name: "Lens".to_owned(),
            identity: "usb-1".to_owned(),
            modes: vec![mode],
            chosen: Some(mode),
            controls: vec![Control {
                control: ControlName::Exposure,
                lockable: true,
                automatic: Some(true),
                value: Some(250),
                range: Some((1, 5000, 1)),
            }],
            trouble: None,
        };
        let text = cameras_text(std::slice::from_ref(&camera));
        for part in [
            "camera:2",
            "Lens",
            "usb-1",
            "640x480@30:YUYV",
            "exposure 250 of 1 to 5000, automatic at present, can be locked",
        ] {
            assert!(text.contains(part), "{part} is not in {text}");
        }
        let document = cameras_document(&[camera]);
        assert_eq!(document["cameras"][0]["source"], "camera:2");
        assert_eq!(document["cameras"][0]["modes"][0]["fps"], 30.0);
        assert_eq!(document["cameras"][0]["controls"][0]["lockable"], true);
        assert!(cameras_text(&[]).contains("no camera"));
    }
}
