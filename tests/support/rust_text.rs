//! The texts that stand in Rust code, for the list of sentences.

/// A string literal, with the field or argument that it is given to.
pub struct Literal {
    /// Its text, escapes undone.
    pub text: String,
    /// The code before it, up to its line's beginning.
    pub before: String,
}

/// All string literals of a source file but those of its tests, comments and attributes.
pub fn literals(source: &str) -> Vec<Literal> {
    let code: Vec<char> = source.split("#[cfg(test)]\nmod tests").next().unwrap_or_default().chars().collect();
    let (mut found, mut at, mut line) = (Vec::new(), 0, 0);
    while at < code.len() {
        match code[at] {
            '\n' => (at, line) = (at + 1, at + 1),
            '/' if code.get(at + 1) == Some(&'/') => at = ahead(&code, at, '\n'),
            '#' if code.get(at + 1) == Some(&'[') => at = ahead(&code, at, ']'),
            // A character, or else a lifetime.
            '\'' if code.get(at + 1) == Some(&'\\') => at = ahead(&code, at + 3, '\'') + 1,
            '\'' if code.get(at + 2) == Some(&'\'') => at += 3,
            '"' => {
                let before: String = code[line.min(at)..at].iter().collect();
                let (text, end) = text(&code, at + 1);
                found.push(Literal { text, before: before.trim().to_owned() });
                at = end;
            }
            _ => at += 1,
        }
    }
    found
}

fn ahead(code: &[char], from: usize, stop: char) -> usize {
    (from..code.len()).find(|&at| code[at] == stop).unwrap_or(code.len())
}

/// The text of a literal from its first character on, and where the code goes on.
fn text(code: &[char], mut at: usize) -> (String, usize) {
    let mut text = String::new();
    while at < code.len() && code[at] != '"' {
        if code[at] != '\\' {
            text.push(code[at]);
            at += 1;
            continue;
        }
        match code.get(at + 1) {
            Some('\n') => {
                at += 2;
                while code.get(at).is_some_and(|c| c.is_whitespace()) {
                    at += 1;
                }
                continue;
            }
            Some('n') => text.push('\n'),
            Some(other) => text.push(*other),
            None => {}
        }
        at += 2;
    }
    (text, at + 1)
}
