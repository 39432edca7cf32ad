//! Cuts Rust source into the words and signs that a search for imports needs; comments and literals are left out.

/// A word, `::`, or any other single sign.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Token(String);

impl Token {
    pub(crate) fn text(&self) -> &str {
        &self.0
    }

    pub(crate) fn is(&self, text: &str) -> bool {
        self.0 == text
    }

    pub(crate) fn is_word(&self) -> bool {
        self.0.starts_with(is_word_char)
    }
}

fn is_word_char(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

pub(crate) fn tokens(text: &str) -> Vec<Token> {
    let mut tokens = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let len = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("/*") {
            block_comment(rest)
        } else if let Some(len) = literal(rest) {
            len
        } else if is_word_char(first) {
            let len = rest.find(|c| !is_word_char(c)).unwrap_or(rest.len());
            tokens.push(Token(rest[..len].to_owned()));
            len
        } else if rest.starts_with("::") {
            tokens.push(Token("::".to_owned()));
            2
        } else {
            if !first.is_whitespace() {
                tokens.push(Token(first.to_string()));
            }
            first.len_utf8()
        };
        rest = &rest[len..];
    }
    tokens
}

/// Length of the comment that begins here; comments of this kind nest.
fn block_comment(text: &str) -> usize {
    let (mut at, mut depth) = (2, 1);
    while depth > 0 {
        let Some(next) = text.get(at..).and_then(|rest| rest.find(['/', '*'])) else { return text.len() };
        at += next;
        match text.get(at..at + 2) {
            Some("/*") => (depth, at) = (depth + 1, at + 2),
            Some("*/") => (depth, at) = (depth - 1, at + 2),
            _ => at += 1,
        }
    }
    at
}

/// Length of the string or character that begins here, if one does. A lifetime is a quote of length 1.
fn literal(text: &str) -> Option<usize> {
    let raw = text.strip_prefix("br").or_else(|| text.strip_prefix('r')).and_then(|rest| {
        let quoted = rest.trim_start_matches('#');
        let marks = &rest[..rest.len() - quoted.len()];
        let inside = quoted.strip_prefix('"')?;
        let end = format!("\"{marks}");
        let len = inside.find(&end).map_or(inside.len(), |at| at + end.len());
        Some(text.len() - inside.len() + len)
    });
    if raw.is_some() {
        return raw;
    }
    let plain = text.strip_prefix('b').filter(|rest| rest.starts_with(['"', '\''])).unwrap_or(text);
    let quote = plain.chars().next().filter(|quote| matches!(quote, '"' | '\''))?;
    let start = text.len() - plain.len() + 1;
    if quote == '\'' {
        let mut chars = text[start..].chars();
        let (first, second) = (chars.next(), chars.next());
        if first != Some('\\') && second != Some('\'') {
            return Some(start);
        }
    }
    let mut is_escaped = false;
    for (at, c) in text[start..].char_indices() {
        if c == quote && !is_escaped {
            return Some(start + at + 1);
        }
        is_escaped = c == '\\' && !is_escaped;
    }
    Some(text.len())
}

/// Place of the brace that closes the group opened at `open`, or the end of the file.
pub(crate) fn end_of_group(tokens: &[Token], open: usize) -> usize {
    let mut depth = 0_usize;
    for (at, token) in tokens.iter().enumerate().skip(open) {
        if token.is("{") {
            depth += 1;
        } else if token.is("}") {
            depth -= 1;
            if depth == 0 {
                return at;
            }
        }
    }
    tokens.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comments_and_literals_are_left_out() {
        let text = "/* a /* b */ c */ d // e\n'f' '\\'' 'g \"h \\\" i\" b\"j\" r#\"k \" l\"# br\"m\" r#n ::o";
        let words: Vec<_> = tokens(text).into_iter().filter(Token::is_word).map(|token| token.0).collect();
        assert_eq!(words, ["d", "g", "r", "n", "o"]);
    }
}
