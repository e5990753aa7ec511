//! A rough sound of a written word, and how far two sounds are apart.

/// Spelling-to-sound rules of one language, and the sounds of its letter and digit names.
#[derive(Debug)]
pub struct Sounds {
    rules: Vec<(String, String)>,
    files: Vec<String>,
    ranks: Vec<String>,
}

/// Sounds that are easily taken for one another (phonetics of voicing and place; the figures are ours).
const NEAR: [(&[u8], f32); 9] = [
    (b"pbv", 0.5),
    (b"tdT", 0.4),
    (b"kg", 0.4),
    (b"fvT", 0.4),
    (b"szTS", 0.4),
    (b"SCJz", 0.4),
    (b"mnN", 0.4),
    (b"iAYe", 0.45),
    (b"aeoul", 0.5),
];

fn substitution(a: u8, b: u8) -> f32 {
    if a == b {
        return 0.0;
    }
    NEAR.iter()
        .filter(|(group, _)| group.contains(&a) && group.contains(&b))
        .map(|&(_, cost)| cost)
        .fold(1.0, f32::min)
}

fn gap(sound: u8) -> f32 {
    match sound {
        b'h' => 0.45,
        b'a' | b'e' | b'i' | b'o' | b'u' => 0.6,
        b'w' | b'r' | b'l' => 0.6,
        _ => 0.8,
    }
}

impl Sounds {
    pub(super) fn new(
        mut rules: Vec<(String, String)>,
        files: &[String],
        ranks: &[String],
    ) -> Sounds {
        rules.sort_by_key(|(spelling, _)| std::cmp::Reverse(spelling.len()));
        Sounds {
            rules,
            files: files.to_vec(),
            ranks: ranks.to_vec(),
        }
    }

    /// Sounds of the eight file names.
    pub fn files(&self) -> &[String] {
        &self.files
    }

    /// Sounds of the eight rank names.
    pub fn ranks(&self) -> &[String] {
        &self.ranks
    }

    /// The sound of a lower-case word; characters that no rule knows are dropped.
    pub fn of(&self, word: &str) -> String {
        let mut out = String::new();
        let mut rest = word;
        while let Some(first) = rest.chars().next() {
            if let Some((spelling, sound)) = self
                .rules
                .iter()
                .find(|(spelling, _)| rest.starts_with(spelling.as_str()))
            {
                out.push_str(sound);
                rest = &rest[spelling.len()..];
                continue;
            }
            if first.is_ascii_lowercase() && !out.ends_with(first) {
                let silent = first == 'e' && rest.len() == 1 && out.len() > 1;
                if !silent {
                    out.push(first);
                }
            }
            rest = &rest[first.len_utf8()..];
        }
        out
    }

    /// Weighted edit distance of two sounds; 0 for the same.
    pub fn distance(&self, a: &str, b: &str) -> f32 {
        let (a, b) = (a.as_bytes(), b.as_bytes());
        if a.len().abs_diff(b.len()) > 3 || a.len() > 24 || b.len() > 24 {
            return 9.0;
        }
        let mut row = [0f32; 26];
        for (j, &y) in b.iter().enumerate() {
            row[j + 1] = row[j] + gap(y);
        }
        for &x in a {
            let mut diagonal = row[0];
            row[0] += gap(x);
            for (j, &y) in b.iter().enumerate() {
                let best = (diagonal + substitution(x, y))
                    .min(row[j + 1] + gap(x))
                    .min(row[j] + gap(y));
                diagonal = row[j + 1];
                row[j + 1] = best;
            }
        }
        row[b.len()]
    }
}
