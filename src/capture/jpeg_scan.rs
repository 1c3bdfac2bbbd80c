//! Walks the coded samples of a JPEG without computing a picture, to see whether they can be whole (ITU-T T.81: annex B markers, annex F codes).
//!
//! A JPEG has no checksum, and decoders make some picture of nearly anything. But damage mostly puts the variable-length codes out of step: then
//! the blocks come out too many or too few, run over their 64 coefficients, use codes that no table has, or drift out of the range of levels. What
//! changes one coefficient and keeps the step stays unseen.

/// Bits that the quick table looks ahead.
const AHEAD: u32 = 9;
/// Bytes that some cameras leave between the last block and the end marker (common practice, no source).
const STRAY_BYTES: usize = 4;
/// Largest category of a difference of two DC coefficients and of an AC coefficient at 8 bits (T.81, tables F.1 and F.2).
const LARGEST_DC: u8 = 11;
const LARGEST_AC: u8 = 10;
/// Eight times the largest distance of a level from the middle: the range of a DC coefficient (T.81, A.3.3).
const DC_RANGE: i64 = 1024;

/// The usual tables (T.81, annex K.3), as the body of a DHT segment: cameras leave them out of motion JPEG.
#[rustfmt::skip]
const USUAL_TABLES: [u8; 416] = [
    0x00, 0x00, 0x01, 0x05, 0x01, 0x01, 0x01, 0x01, 0x01, 0x01, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00,
    0x00, 0x00, 0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0a, 0x0b, 0x10, 0x00, 0x02,
    0x01, 0x03, 0x03, 0x02, 0x04, 0x03, 0x05, 0x05, 0x04, 0x04, 0x00, 0x00, 0x01, 0x7d, 0x01, 0x02,
    0x03, 0x00, 0x04, 0x11, 0x05, 0x12, 0x21, 0x31, 0x41, 0x06, 0x13, 0x51, 0x61, 0x07, 0x22, 0x71,
    0x14, 0x32, 0x81, 0x91, 0xa1, 0x08, 0x23, 0x42, 0xb1, 0xc1, 0x15, 0x52, 0xd1, 0xf0, 0x24, 0x33,
    0x62, 0x72, 0x82, 0x09, 0x0a, 0x16, 0x17, 0x18, 0x19, 0x1a, 0x25, 0x26, 0x27, 0x28, 0x29, 0x2a,
    0x34, 0x35, 0x36, 0x37, 0x38, 0x39, 0x3a, 0x43, 0x44, 0x45, 0x46, 0x47, 0x48, 0x49, 0x4a, 0x53,
    0x54, 0x55, 0x56, 0x57, 0x58, 0x59, 0x5a, 0x63, 0x64, 0x65, 0x66, 0x67, 0x68, 0x69, 0x6a, 0x73,
    0x74, 0x75, 0x76, 0x77, 0x78, 0x79, 0x7a, 0x83, 0x84, 0x85, 0x86, 0x87, 0x88, 0x89, 0x8a, 0x92,
    0x93, 0x94, 0x95, 0x96, 0x97, 0x98, 0x99, 0x9a, 0xa2, 0xa3, 0xa4, 0xa5, 0xa6, 0xa7, 0xa8, 0xa9,
    0xaa, 0xb2, 0xb3, 0xb4, 0xb5, 0xb6, 0xb7, 0xb8, 0xb9, 0xba, 0xc2, 0xc3, 0xc4, 0xc5, 0xc6, 0xc7,
    0xc8, 0xc9, 0xca, 0xd2, 0xd3, 0xd4, 0xd5, 0xd6, 0xd7, 0xd8, 0xd9, 0xda, 0xe1, 0xe2, 0xe3, 0xe4,
    0xe5, 0xe6, 0xe7, 0xe8, 0xe9, 0xea, 0xf1, 0xf2, 0xf3, 0xf4, 0xf5, 0xf6, 0xf7, 0xf8, 0xf9, 0xfa,
    0x01, 0x00, 0x03, 0x01, 0x01, 0x01, 0x01, 0x01, 0x01, 0x01, 0x01, 0x01, 0x00, 0x00, 0x00, 0x00,
    0x00, 0x00, 0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0a, 0x0b, 0x11, 0x00, 0x02,
    0x01, 0x02, 0x04, 0x04, 0x03, 0x04, 0x07, 0x05, 0x04, 0x04, 0x00, 0x01, 0x02, 0x77, 0x00, 0x01,
    0x02, 0x03, 0x11, 0x04, 0x05, 0x21, 0x31, 0x06, 0x12, 0x41, 0x51, 0x07, 0x61, 0x71, 0x13, 0x22,
    0x32, 0x81, 0x08, 0x14, 0x42, 0x91, 0xa1, 0xb1, 0xc1, 0x09, 0x23, 0x33, 0x52, 0xf0, 0x15, 0x62,
    0x72, 0xd1, 0x0a, 0x16, 0x24, 0x34, 0xe1, 0x25, 0xf1, 0x17, 0x18, 0x19, 0x1a, 0x26, 0x27, 0x28,
    0x29, 0x2a, 0x35, 0x36, 0x37, 0x38, 0x39, 0x3a, 0x43, 0x44, 0x45, 0x46, 0x47, 0x48, 0x49, 0x4a,
    0x53, 0x54, 0x55, 0x56, 0x57, 0x58, 0x59, 0x5a, 0x63, 0x64, 0x65, 0x66, 0x67, 0x68, 0x69, 0x6a,
    0x73, 0x74, 0x75, 0x76, 0x77, 0x78, 0x79, 0x7a, 0x82, 0x83, 0x84, 0x85, 0x86, 0x87, 0x88, 0x89,
    0x8a, 0x92, 0x93, 0x94, 0x95, 0x96, 0x97, 0x98, 0x99, 0x9a, 0xa2, 0xa3, 0xa4, 0xa5, 0xa6, 0xa7,
    0xa8, 0xa9, 0xaa, 0xb2, 0xb3, 0xb4, 0xb5, 0xb6, 0xb7, 0xb8, 0xb9, 0xba, 0xc2, 0xc3, 0xc4, 0xc5,
    0xc6, 0xc7, 0xc8, 0xc9, 0xca, 0xd2, 0xd3, 0xd4, 0xd5, 0xd6, 0xd7, 0xd8, 0xd9, 0xda, 0xe2, 0xe3,
    0xe4, 0xe5, 0xe6, 0xe7, 0xe8, 0xe9, 0xea, 0xf2, 0xf3, 0xf4, 0xf5, 0xf6, 0xf7, 0xf8, 0xf9, 0xfa,
];

/// A Huffman table (T.81, annex C and F.2.2.3).
#[derive(Clone)]
struct Table {
    /// Length and value of the code that the next bits begin with; length 0 where it is longer.
    quick: Vec<(u8, u8)>,
    /// For each length 1 to 16: first code of it, one past the last, and where its values start.
    lengths: [(u32, u32, usize); 17],
    values: Vec<u8>,
}

impl Table {
    fn new(counts: &[u8; 16], values: &[u8]) -> Option<Self> {
        let mut quick = vec![(0, 0); 1 << AHEAD];
        let mut lengths = [(0, 0, 0); 17];
        let (mut code, mut at) = (0_u32, 0_usize);
        for (length, &count) in (1_u32..).zip(counts) {
            let past = code + u32::from(count);
            if past > 1 << length {
                return None;
            }
            if let Some(slot) = lengths.get_mut(length as usize) {
                *slot = (code, past, at);
            }
            for n in 0..u32::from(count) {
                let value = *values.get(at + n as usize)?;
                if length <= AHEAD {
                    let first = ((code + n) << (AHEAD - length)) as usize;
                    let slots = quick.get_mut(first..first + (1 << (AHEAD - length)))?;
                    slots.fill((u8::try_from(length).ok()?, value));
                }
            }
            at += usize::from(count);
            code = past << 1;
        }
        Some(Self {
            quick,
            lengths,
            values: values.get(..at)?.to_vec(),
        })
    }
}

/// Reads bits up to the next marker.
struct Bits<'a> {
    data: &'a [u8],
    /// The next byte.
    at: usize,
    held: u64,
    /// Bits held.
    count: u32,
    /// Of these, bits that stand for nothing because a marker or the end came.
    made_up: u32,
}

impl<'a> Bits<'a> {
    fn new(data: &'a [u8], at: usize) -> Self {
        Self {
            data,
            at,
            held: 0,
            count: 0,
            made_up: 0,
        }
    }

    fn fill(&mut self) {
        while self.count <= 48 {
            let byte = match (self.data.get(self.at), self.data.get(self.at + 1)) {
                (Some(0xff), Some(0)) => {
                    self.at += 2;
                    0xff
                }
                (Some(0xff), _) | (None, _) => {
                    self.made_up += 8;
                    0
                }
                (Some(&byte), _) => {
                    self.at += 1;
                    byte
                }
            };
            self.held = self.held << 8 | u64::from(byte);
            self.count += 8;
        }
    }

    /// The next `n` bits, at most 16, without taking them.
    fn peek(&mut self, n: u32) -> u32 {
        if self.count < n {
            self.fill();
        }
        (self.held >> (self.count - n)) as u32 & ((1 << n) - 1)
    }

    fn take(&mut self, n: u32) -> u32 {
        let bits = self.peek(n);
        self.count -= n;
        bits
    }

    /// Whether more bits were taken than there are.
    fn overrun(&self) -> bool {
        self.count < self.made_up
    }

    fn code(&mut self, table: &Table) -> Option<u8> {
        let ahead = self.peek(16);
        let (length, value) = *table.quick.get((ahead >> (16 - AHEAD)) as usize)?;
        if length > 0 {
            self.count -= u32::from(length);
            return Some(value);
        }
        for length in AHEAD + 1..=16 {
            let code = ahead >> (16 - length);
            let (first, past, at) = *table.lengths.get(length as usize)?;
            if code < past && code >= first {
                self.count -= length;
                return table.values.get(at + (code - first) as usize).copied();
            }
        }
        None
    }

    /// Where the bytes go on behind the bits that are held, and how many whole bytes of these were not taken.
    fn end(&mut self) -> (usize, usize) {
        self.fill();
        (
            self.at,
            (self.count.saturating_sub(self.made_up) / 8) as usize,
        )
    }
}

#[derive(Clone, Copy, Default)]
struct Component {
    id: u8,
    across: u32,
    down: u32,
    quantiser: usize,
    dc_table: usize,
    ac_table: usize,
}

/// Looks through a whole JPEG.
///
/// # Errors
/// What shows that it is damaged, as a clause. Kinds whose codes are not looked into (progressive, arithmetic) pass.
pub(super) fn check(data: &[u8]) -> Result<(), String> {
    if !data.starts_with(&[0xff, 0xd8]) {
        return Err("it does not begin as a JPEG".to_owned());
    }
    let mut tables: [[Option<Table>; 4]; 2] = Default::default();
    let mut quantisers = [1_i64; 4];
    let mut frame: Vec<Component> = Vec::new();
    let (mut width, mut height, mut interval) = (0_u32, 0_u32, 0_u32);
    let mut at = 2;
    let mut scans = 0;
    loop {
        // Between segments stands a marker, with any number of fill bytes.
        let Some(marks) = data.get(at..).filter(|rest| rest.first() == Some(&0xff)) else {
            return if scans > 0 {
                Err("its end marker is missing".to_owned())
            } else {
                Err("a segment does not end where a marker is".to_owned())
            };
        };
        let fill = marks.iter().take_while(|&&byte| byte == 0xff).count();
        let Some(&kind) = marks.get(fill) else {
            return Err("its end marker is missing".to_owned());
        };
        at += fill + 1;
        if kind == 0xd9 {
            return Ok(());
        }
        if matches!(kind, 0x01 | 0xd0..=0xd7) {
            continue;
        }
        let length = match data.get(at..at + 2) {
            Some(&[high, low]) => usize::from(u16::from_be_bytes([high, low])),
            _ => 0,
        };
        let Some(body) = data.get(at + 2..at + length).filter(|_| length >= 2) else {
            return Err("a segment runs over its end".to_owned());
        };
        at += length;
        match kind {
            0xc4 => read_tables(body, &mut tables).ok_or("a table of its codes is wrong")?,
            0xdb => read_quantisers(body, &mut quantisers),
            0xdd => {
                if let &[high, low, ..] = body {
                    interval = u32::from(u16::from_be_bytes([high, low]));
                }
            }
            0xc0 | 0xc1 => {
                let &[8, h1, h0, w1, w0, _, ref parts @ ..] = body else {
                    return Ok(()); // Twelve bits: not read here.
                };
                height = u32::from(u16::from_be_bytes([h1, h0]));
                width = u32::from(u16::from_be_bytes([w1, w0]));
                frame = parts.chunks_exact(3).filter_map(component).collect();
            }
            // Other processes than the sequential one with Huffman codes.
            0xc2 | 0xc3 | 0xc5..=0xc7 | 0xc9..=0xcb | 0xcd..=0xcf => return Ok(()),
            0xda => {
                scans += 1;
                if tables.iter().flatten().all(Option::is_none) {
                    read_tables(&USUAL_TABLES, &mut tables)
                        .ok_or("a table of its codes is wrong")?;
                }
                let Some(parts) = scanned(body, &frame) else {
                    return Err("its scan names components that it has not".to_owned());
                };
                at = walk(
                    data,
                    at,
                    (width, height),
                    interval,
                    &frame,
                    &parts,
                    &tables,
                    &quantisers,
                )?;
            }
            _ => {}
        }
    }
}

fn component(bytes: &[u8]) -> Option<Component> {
    let &[id, factors, quantiser] = bytes else {
        return None;
    };
    let (across, down) = (u32::from(factors >> 4), u32::from(factors & 15));
    ((1..=4).contains(&across) && (1..=4).contains(&down)).then_some(Component {
        id,
        across,
        down,
        quantiser: usize::from(quantiser & 3),
        ..Component::default()
    })
}

fn read_tables(mut body: &[u8], tables: &mut [[Option<Table>; 4]; 2]) -> Option<()> {
    while let Some((&which, rest)) = body.split_first() {
        let (counts, rest) = rest.split_first_chunk::<16>()?;
        let total: usize = counts.iter().map(|&count| usize::from(count)).sum();
        let values = rest.get(..total)?;
        let slot = tables
            .get_mut(usize::from(which >> 4))?
            .get_mut(usize::from(which & 15))?;
        *slot = Some(Table::new(counts, values)?);
        body = rest.get(total..)?;
    }
    Some(())
}

fn read_quantisers(mut body: &[u8], quantisers: &mut [i64; 4]) {
    while let Some((&which, rest)) = body.split_first() {
        let wide = which >> 4 == 1;
        let first = match (wide, rest) {
            (true, &[high, low, ..]) => i64::from(u16::from_be_bytes([high, low])),
            (false, &[first, ..]) => i64::from(first),
            _ => return,
        };
        if let Some(slot) = quantisers.get_mut(usize::from(which & 15)) {
            *slot = first;
        }
        body = rest.get(if wide { 128 } else { 64 }..).unwrap_or_default();
    }
}

/// The components of a scan with the tables that they use.
fn scanned(body: &[u8], frame: &[Component]) -> Option<Vec<Component>> {
    let (&count, rest) = body.split_first()?;
    rest.chunks_exact(2)
        .take(usize::from(count))
        .map(|two| {
            let &[id, which] = two else { return None };
            let found = frame.iter().find(|component| component.id == id)?;
            Some(Component {
                dc_table: usize::from(which >> 4 & 3),
                ac_table: usize::from(which & 3),
                ..*found
            })
        })
        .collect::<Option<Vec<_>>>()
        .filter(|parts| !parts.is_empty() && parts.len() == usize::from(count))
}

#[expect(
    clippy::too_many_arguments,
    reason = "the state of one scan, used once"
)]
fn walk(
    data: &[u8],
    at: usize,
    (width, height): (u32, u32),
    interval: u32,
    frame: &[Component],
    parts: &[Component],
    tables: &[[Option<Table>; 4]; 2],
    quantisers: &[i64; 4],
) -> Result<usize, String> {
    let most = |of: fn(&Component) -> u32| frame.iter().map(of).max().unwrap_or(1);
    let (most_across, most_down) = (most(|c| c.across), most(|c| c.down));
    // T.81, A.2: one component alone comes block by block, several come in units of all of them.
    let units = match parts {
        [alone] => {
            let blocks = |size: u32, of: u32, most: u32| (size * of).div_ceil(most).div_ceil(8);
            blocks(width, alone.across, most_across) * blocks(height, alone.down, most_down)
        }
        _ => width.div_ceil(8 * most_across) * height.div_ceil(8 * most_down),
    };
    struct Part<'a> {
        blocks: u32,
        dc: &'a Table,
        ac: &'a Table,
        limit: i64,
        level: i64,
    }
    let mut walked = Vec::new();
    for part in parts {
        let table =
            |class: usize, which: usize| tables.get(class).and_then(|of| of.get(which)?.as_ref());
        let (Some(dc), Some(ac)) = (table(0, part.dc_table), table(1, part.ac_table)) else {
            return Err("its scan names tables that it has not".to_owned());
        };
        let quantiser = quantisers.get(part.quantiser).copied().unwrap_or(1).max(1);
        walked.push(Part {
            blocks: if parts.len() == 1 {
                1
            } else {
                part.across * part.down
            },
            dc,
            ac,
            limit: (DC_RANGE + DC_RANGE / 16) / quantiser + 2,
            level: 0,
        });
    }
    let mut bits = Bits::new(data, at);
    for unit in 0..units {
        if interval > 0 && unit > 0 && unit.is_multiple_of(interval) {
            let (end, stray) = bits.end();
            let due = 0xd0 + u8::try_from((unit / interval - 1) % 8).unwrap_or(0);
            if stray > STRAY_BYTES || data.get(end..end + 2) != Some(&[0xff, due]) {
                return Err(format!(
                    "a restart marker is missing before unit {unit} of {units}"
                ));
            }
            bits = Bits::new(data, end + 2);
            walked.iter_mut().for_each(|part| part.level = 0);
        }
        for part in &mut walked {
            for _ in 0..part.blocks {
                let block = walk_block(&mut bits, part.dc, part.ac, &mut part.level);
                if block.is_none() || bits.overrun() || part.level.abs() > part.limit {
                    return Err(format!(
                        "its codes make no sense from unit {unit} of {units} on"
                    ));
                }
            }
        }
    }
    let (end, stray) = bits.end();
    // Some bytes may not have been looked at yet.
    let behind = to_marker(data, end)?;
    let stray = stray + (behind - end);
    if stray > STRAY_BYTES {
        return Err(format!("{stray} bytes are left over behind its last block"));
    }
    Ok(behind)
}

/// One block: none where its codes break the rules.
fn walk_block(bits: &mut Bits<'_>, dc: &Table, ac: &Table, level: &mut i64) -> Option<()> {
    let size = bits.code(dc).filter(|&size| size <= LARGEST_DC)?;
    if size > 0 {
        let value = i64::from(bits.take(u32::from(size)));
        // T.81, table F.1: the lower half of a category is negative.
        let half = 1 << (size - 1);
        *level += if value < half {
            value - 2 * half + 1
        } else {
            value
        };
    }
    let mut at = 1;
    while at < 64 {
        let both = bits.code(ac)?;
        let (zeros, size) = (u32::from(both >> 4), both & 15);
        match (zeros, size) {
            (0, 0) => return Some(()),
            (15, 0) => at += 16,
            (_, 0) => return None,
            (_, size) if size > LARGEST_AC => return None,
            (zeros, size) => {
                at += zeros + 1;
                bits.take(u32::from(size));
            }
        }
        if at > 64 {
            return None;
        }
    }
    Some(())
}

/// The next marker that is none of a restart.
fn to_marker(data: &[u8], from: usize) -> Result<usize, String> {
    let mut at = from;
    while let Some(&byte) = data.get(at) {
        if byte == 0xff && !matches!(data.get(at + 1), Some(0 | 0xd0..=0xd7)) {
            return Ok(at);
        }
        at += 1;
    }
    Err("its end marker is missing".to_owned())
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use image::codecs::jpeg::{JpegEncoder, PixelDensity};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// A dim field with two lines and noise, as an eyepiece shows it.
    fn jpeg(width: u32, height: u32, quality: u8, colour: bool, seed: u64) -> Vec<u8> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut level = |x: u32| {
            let line = |at: f64| 180.0 * (-(f64::from(x) - at).powi(2) / 8.0).exp();
            let noise: f64 = random.random_range(-4.0..4.0);
            (22.0 + line(0.4 * f64::from(width)) + line(0.7 * f64::from(width)) + noise)
                .clamp(0.0, 255.0) as u8
        };
        let mut data = Vec::new();
        let mut encoder = JpegEncoder::new_with_quality(&mut data, quality);
        encoder.set_pixel_density(PixelDensity::dpi(72));
        if colour {
            let picture = image::RgbImage::from_fn(width, height, |x, _| {
                image::Rgb([level(x), level(x) / 2, level(x) / 3])
            });
            encoder.encode_image(&picture).unwrap();
        } else {
            let picture = image::GrayImage::from_fn(width, height, |x, _| image::Luma([level(x)]));
            encoder.encode_image(&picture).unwrap();
        }
        data
    }

    #[test]
    fn whole_pictures_pass() {
        for (seed, (width, height)) in
            (0..).zip([(8, 8), (9, 17), (64, 48), (161, 120), (640, 480)])
        {
            for quality in [1, 40, 75, 100] {
                for colour in [false, true] {
                    let data = jpeg(width, height, quality, colour, seed);
                    assert_eq!(
                        check(&data),
                        Ok(()),
                        "{width} x {height}, {quality}, {colour}"
                    );
                }
            }
        }
        // By another program (ffmpeg), with its own tables and chroma at half the size.
        let avi = include_bytes!("../../tests/fixtures/video/motion.avi");
        let starts: Vec<usize> = (0..avi.len() - 3)
            .filter(|&at| avi[at..].starts_with(&[0xff, 0xd8, 0xff]))
            .collect();
        assert_eq!(starts.len(), 6);
        for start in starts {
            let length = u32::from_le_bytes(avi[start - 4..start].try_into().unwrap()) as usize;
            assert_eq!(check(&avi[start..start + length]), Ok(()));
        }
    }

    #[test]
    fn stray_bytes_of_cameras_pass_and_more_do_not() {
        let data = jpeg(64, 48, 75, true, 1);
        let (body, end) = data.split_at(data.len() - 2);
        for (stray, passes) in [(1, true), (4, true), (12, false)] {
            let data = [body, &vec![0x5a; stray], end].concat();
            assert_eq!(check(&data).is_ok(), passes, "{stray}");
        }
        assert!(check(body).unwrap_err().contains("end marker"));
        assert!(check(&data[..200]).is_err());
        assert!(check(&[]).is_err());
    }

    #[test]
    fn the_usual_tables_are_those_that_encoders_write() {
        let data = jpeg(64, 48, 75, true, 3);
        // Without its own tables it is walked by the usual ones.
        let (mut bare, mut written, mut at) = (data[..2].to_vec(), 0, 2);
        while data[at + 1] != 0xda {
            let length = 2 + usize::from(u16::from_be_bytes([data[at + 2], data[at + 3]]));
            let segment = &data[at..at + length];
            if segment[1] == 0xc4 {
                let body = &segment[4..];
                assert!(USUAL_TABLES.windows(body.len()).any(|w| w == body));
                written += body.len();
            } else {
                bare.extend(segment);
            }
            at += length;
        }
        bare.extend(&data[at..]);
        assert_eq!(written, USUAL_TABLES.len());
        assert_eq!(check(&bare), Ok(()));
        let mut wrong = bare.clone();
        let middle = wrong.len() - 300;
        wrong[middle..middle + 100].fill(0x6b);
        assert!(check(&wrong).is_err());
    }

    #[test]
    fn most_damage_is_noticed() {
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let originals: Vec<Vec<u8>> = (0..20).map(|n| jpeg(320, 240, 90, n % 2 == 0, n)).collect();
        // Bytes written over in one place, and the least share of it that must be noticed.
        let mut shares = Vec::new();
        for bytes in [1, 4, 20, 200] {
            let mut noticed = 0;
            let tries = 400;
            for n in 0..tries {
                let mut data = originals[n % originals.len()].clone();
                let at = random.random_range(700..data.len() - bytes - 2);
                let before = data[at..at + bytes].to_vec();
                while data[at..at + bytes] == before {
                    random.fill(&mut data[at..at + bytes]);
                }
                noticed += usize::from(check(&data).is_err());
            }
            shares.push(noticed as f64 / tries as f64);
        }
        for (share, least) in shares.iter().zip([0.45, 0.70, 0.90, 0.99]) {
            assert!(*share >= least, "{shares:?}");
        }
        // Bytes that went missing on the way.
        let mut noticed = 0;
        for n in 0..200 {
            let mut data = originals[n % originals.len()].clone();
            let at = random.random_range(700..data.len() - 520);
            data.drain(at..at + 512);
            noticed += u32::from(check(&data).is_err());
        }
        assert!(noticed >= 198, "{noticed}");
    }
}
