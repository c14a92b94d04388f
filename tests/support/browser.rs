//! A real browser, asked over HTTP by the WebDriver protocol (W3C Recommendation "WebDriver",
//! 2018-06-05) through ChromeDriver, and a web server for a folder.
//!
//! So few calls are needed that a client crate, which brings an asynchronous run time along, would be
//! longer than this.
#![allow(dead_code)] // Each file of tests uses its own part.
#![allow(
    clippy::print_stderr,
    reason = "a test that skips says so on the terminal"
)]

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

/// Name of an element's reference in the protocol (WebDriver, section 11).
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";
/// How long a page may take: the machine may have other work.
const PATIENCE: Duration = Duration::from_secs(40);

pub mod keys {
    //! Keys without a letter (WebDriver, section 15.4.2).
    pub const TAB: &str = "\u{e004}";
    pub const ENTER: &str = "\u{e007}";
    pub const ESCAPE: &str = "\u{e00c}";
    pub const SPACE: &str = " ";
    pub const LEFT: &str = "\u{e012}";
    pub const RIGHT: &str = "\u{e014}";
}

pub struct Browser {
    driver: Child,
    port: u16,
    session: String,
    folder: tempfile::TempDir,
}

impl Browser {
    /// A fresh headless browser; `None`, with a message, where there is none.
    pub fn start() -> Option<Self> {
        let Ok(mut driver) = Command::new("chromedriver")
            .arg("--port=0")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
        else {
            eprintln!("skipped: there is no chromedriver (Debian: chromium, chromium-driver)");
            return None;
        };
        let said = BufReader::new(driver.stdout.take().expect("piped"));
        let port = said.lines().map_while(Result::ok).find_map(|line| {
            let (_, port) = line.rsplit_once("successfully on port ")?;
            port.trim_end_matches('.').parse().ok()
        });
        let port = port.expect("chromedriver says its port");
        let folder = tempfile::tempdir().expect("a temporary folder");
        let downloads = folder.path().join("downloads");
        fs::create_dir(&downloads).expect("writable");
        let mut browser = Self {
            driver,
            port,
            session: String::new(),
            folder,
        };
        let profile = browser.folder.path().join("profile");
        let options = json!({
            "args": [
                "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                "--disable-background-networking", "--disable-component-update", "--disable-sync",
                "--disable-dev-shm-usage", "--lang=en-GB",
                format!("--user-data-dir={}", profile.display()),
            ],
            "prefs": { "download.default_directory": downloads },
        });
        let wanted = json!({
            "capabilities": { "alwaysMatch": {
                "goog:chromeOptions": options,
                "goog:loggingPrefs": { "performance": "ALL", "browser": "ALL" },
            } },
        });
        let session = browser.ask("POST", "/session", &wanted);
        let Some(id) = session["sessionId"].as_str() else {
            eprintln!("skipped: no browser starts: {session}");
            return None;
        };
        browser.session = id.to_owned();
        browser.size(1280, 900, 1.0);
        browser.scheme("light");
        Some(browser)
    }

    fn ask(&self, method: &str, path: &str, body: &Value) -> Value {
        let body = match method {
            "POST" => body.to_string(),
            _ => String::new(),
        };
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).expect("the driver listens");
        stream.set_read_timeout(Some(PATIENCE)).expect("a timeout");
        write!(
            stream,
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nContent-Type: application/json\r\n\
             Content-Length: {}\r\nConnection: close\r\n\r\n{body}",
            self.port,
            body.len(),
        )
        .expect("the driver reads");
        let mut answer = BufReader::new(stream);
        let mut length = 0;
        loop {
            let mut line = String::new();
            answer.read_line(&mut line).expect("the driver answers");
            let line = line.trim().to_ascii_lowercase();
            if let Some(bytes) = line.strip_prefix("content-length:") {
                length = bytes.trim().parse().expect("a number");
            }
            if line.is_empty() {
                break;
            }
        }
        let mut text = vec![0; length];
        answer.read_exact(&mut text).expect("as many bytes as said");
        let mut answer: Value = serde_json::from_slice(&text).expect("JSON");
        answer["value"].take()
    }

    /// A call of the session; an error fails the test.
    #[track_caller]
    fn call(&self, path: &str, body: &Value) -> Value {
        let answer = self.ask("POST", &format!("/session/{}{path}", self.session), body);
        let error = answer["error"].as_str();
        assert!(error.is_none(), "{path} {body}: {answer}");
        answer
    }

    /// Opens an address.
    pub fn open(&self, address: &str) {
        self.call("/url", &json!({ "url": address }));
    }

    /// Opens a file.
    pub fn open_file(&self, path: &Path) {
        self.open(&format!("file://{}", path.display()));
    }

    /// Runs the body of a function in the page and gives what it returns.
    #[track_caller]
    pub fn run(&self, script: &str) -> Value {
        self.call("/execute/sync", &json!({ "script": script, "args": [] }))
    }

    /// [`Browser::run`] of `return …`.
    #[track_caller]
    pub fn get(&self, expression: &str) -> Value {
        self.run(&format!("return {expression};"))
    }

    /// Waits until an expression is true.
    #[track_caller]
    pub fn wait_for(&self, expression: &str) {
        let began = Instant::now();
        while self.get(&format!("!!({expression})")) != json!(true) {
            let page = || self.get("document.body.innerText");
            assert!(
                began.elapsed() < PATIENCE,
                "never: {expression}\n{}",
                page()
            );
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    #[track_caller]
    fn element(&self, css: &str) -> String {
        let wanted = json!({ "using": "css selector", "value": css });
        let found = self.call("/element", &wanted);
        found[ELEMENT].as_str().expect("an element").to_owned()
    }

    /// Clicks where a person would, once they have scrolled there: fails when something lies over it.
    #[track_caller]
    pub fn click(&self, css: &str) {
        let to = "scrollIntoView({ block: 'center', behavior: 'instant' })";
        self.run(&format!("document.querySelector({}).{to}", json!(css)));
        let element = self.element(css);
        self.call(&format!("/element/{element}/click"), &json!({}));
    }

    /// Types into an element; names a file for a file input.
    #[track_caller]
    pub fn type_into(&self, css: &str, text: &str) {
        let element = self.element(css);
        self.call(
            &format!("/element/{element}/value"),
            &json!({ "text": text }),
        );
    }

    /// Presses keys, one after the other, wherever the focus is.
    #[track_caller]
    pub fn press(&self, keys: &[&str]) {
        let actions: Vec<Value> = keys
            .iter()
            .flat_map(|key| ["keyDown", "keyUp"].map(|kind| json!({ "type": kind, "value": key })))
            .collect();
        let source = json!({ "type": "key", "id": "keyboard", "actions": actions });
        self.call("/actions", &json!({ "actions": [source] }));
    }

    /// The window in points, and pixels a point.
    pub fn size(&self, width: u32, height: u32, pixels: f64) {
        let metrics = json!({
            "width": width, "height": height, "deviceScaleFactor": pixels, "mobile": width < 600,
        });
        self.developer("Emulation.setDeviceMetricsOverride", metrics);
    }

    /// Light or dark, as the system would say it; and without motion, so that what is looked at stands
    /// still.
    pub fn scheme(&self, scheme: &str) {
        let features = json!([
            { "name": "prefers-color-scheme", "value": scheme },
            { "name": "prefers-reduced-motion", "value": "reduce" },
        ]);
        self.developer(
            "Emulation.setEmulatedMedia",
            json!({ "features": features }),
        );
    }

    fn developer(&self, command: &str, parameters: Value) {
        let body = json!({ "cmd": command, "params": parameters });
        self.call("/goog/cdp/execute", &body);
    }

    fn log(&self, kind: &str) -> Vec<Value> {
        let entries = self.call("/se/log", &json!({ "type": kind }));
        entries.as_array().cloned().unwrap_or_default()
    }

    /// Addresses of all requests since this was asked last.
    pub fn requests(&self) -> Vec<String> {
        let entries = self.log("performance").into_iter();
        let requests = entries.filter_map(|entry| {
            let text = entry["message"].as_str()?;
            let message: Value = serde_json::from_str(text).ok()?;
            let message = &message["message"];
            let sent = message["method"] == "Network.requestWillBeSent";
            let address = message["params"]["request"]["url"].as_str()?;
            // The tab that the browser begins with is a page of its own (`chrome://`).
            let of = message["params"]["documentURL"].as_str()?;
            let sent = sent && !of.starts_with("chrome");
            sent.then(|| address.to_owned())
        });
        requests.collect()
    }

    /// What the page's console was told since this was asked last: breaches of its policy and mistakes
    /// in scripts stand there.
    pub fn complaints(&self) -> Vec<String> {
        let entries = self.log("browser").into_iter();
        entries
            .map(|entry| entry["message"].as_str().unwrap_or_default().to_owned())
            .collect()
    }

    /// Waits for a file that the page saves.
    pub fn downloaded(&self, name: &str) -> Vec<u8> {
        let path = self.folder.path().join("downloads").join(name);
        let began = Instant::now();
        while !path.exists() {
            assert!(began.elapsed() < PATIENCE, "{name} was not saved");
            std::thread::sleep(Duration::from_millis(100));
        }
        fs::read(path).expect("readable")
    }

    /// Saves what is shown as a PNG in the folder that `LAPEL_SCREENSHOTS` names, if any.
    pub fn picture(&self, name: &str) {
        use base64::Engine;
        let Some(folder) = std::env::var_os("LAPEL_SCREENSHOTS") else {
            return;
        };
        let path = format!("/session/{}/screenshot", self.session);
        let picture = self.ask("GET", &path, &Value::Null);
        let base64 = base64::engine::general_purpose::STANDARD;
        let picture = base64.decode(picture.as_str().unwrap_or_default());
        let path = PathBuf::from(folder).join(format!("{name}.png"));
        fs::write(path, picture.expect("base 64")).expect("writable");
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if !self.session.is_empty() {
            let path = format!("/session/{}", self.session);
            let _closed = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
                self.ask("DELETE", &path, &Value::Null)
            }));
        }
        let _ended = self.driver.kill();
        let _ended = self.driver.wait();
    }
}

/// Serves a folder on a port of this machine as the plainest web server would, until the test ends.
pub fn serve(folder: &Path) -> u16 {
    let listener = TcpListener::bind(("127.0.0.1", 0)).expect("a free port");
    let port = listener.local_addr().expect("bound").port();
    let folder = folder.to_owned();
    std::thread::spawn(move || {
        for mut stream in listener.incoming().map_while(Result::ok) {
            let mut lines = BufReader::new(&stream).lines().map_while(Result::ok);
            let line = lines.next().unwrap_or_default();
            // All of the request is read: an unread rest would break the connection off.
            lines.take_while(|line| !line.is_empty()).for_each(drop);
            let path = line.split(' ').nth(1).unwrap_or("/");
            let name = path
                .split('?')
                .next()
                .unwrap_or("/")
                .trim_start_matches('/');
            let kind = match name.rsplit('.').next() {
                Some("html") => "text/html",
                Some("js") => "text/javascript",
                Some("jpg") => "image/jpeg",
                _ => "application/octet-stream",
            };
            let file = fs::read(folder.join(name)).ok();
            let (status, bytes) =
                file.map_or(("404 Not Found", Vec::new()), |file| ("200 OK", file));
            let head = format!(
                "HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {}\r\n\
                 Connection: close\r\n\r\n",
                bytes.len()
            );
            let _gone = stream
                .write_all(head.as_bytes())
                .and_then(|()| stream.write_all(&bytes));
        }
    });
    port
}

/// Looks for what keeps people out of a page: names, sizes and contrast, by the rules of WCAG 2.2
/// (W3C, 2023). Gives what it finds.
pub const BARRIERS: &str = r#"
const found = [];
const what = (e) => e.outerHTML.slice(0, 120);
const shown = (e) => e.checkVisibility({ visibilityProperty: true }) && e.getClientRects().length > 0;
const all = (css) => [...document.querySelectorAll(css)].filter(shown);
// 1.1.1, 4.1.2: everything has a name.
for (const e of all("img")) if (!e.hasAttribute("alt")) found.push("no alt: " + what(e));
for (const e of all("button, a, textarea, input")) {
  const named = (e.getAttribute("aria-label") || e.textContent || e.querySelector("img")?.alt
    || [...(e.labels || [])].map((l) => l.textContent).join("")).trim();
  if (!named) found.push("no name: " + what(e));
}
for (const e of all("fieldset")) {
  if (e.firstElementChild?.tagName !== "LEGEND") found.push("no legend: " + what(e));
}
for (const e of document.querySelectorAll("[aria-labelledby]")) {
  if (!document.getElementById(e.getAttribute("aria-labelledby"))) found.push("no label: " + what(e));
}
// 1.3.1, 2.4.6, 3.1.1: one main, one first heading, no level left out, a language.
if (document.querySelectorAll("main").length !== 1) found.push("not one main");
const levels = all("h1, h2, h3").map((h) => Number(h.tagName[1]));
if (levels.filter((level) => level === 1).length !== 1) found.push("not one h1");
levels.forEach((level, i) => { if (i && level > levels[i - 1] + 1) found.push("a level left out"); });
if (!document.documentElement.lang) found.push("no language");
const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
if (new Set(ids).size !== ids.length) found.push("an id is there twice");
// 2.5.5 (44 points); a choice is as large as the label around it.
for (const e of all("button, nav a, input, summary, label.button")) {
  const target = e.matches("input") ? e.labels[0] || e : e;
  const box = target.getBoundingClientRect();
  if (e.type === "file") continue;
  if (box.height < 43.9 || box.width < 43.9) found.push(`${box.width} x ${box.height}: ` + what(e));
}
// 1.4.10: nothing to be pushed aside.
if (document.documentElement.scrollWidth > innerWidth) found.push("wider than the window");
// 1.4.3: contrast of text, by the formula of relative luminance.
const parse = (c) => c.match(/[\d.]+/g).map(Number);
const light = (c) => {
  const [r, g, b] = c.slice(0, 3).map((v) => v / 255)
    .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
};
const ground = (e) => {
  for (let at = e; at; at = at.parentElement) {
    const c = parse(getComputedStyle(at).backgroundColor);
    if (c.length < 4 || c[3] > 0.5) return c;
  }
  return matchMedia("(prefers-color-scheme: dark)").matches ? [0, 0, 0] : [255, 255, 255];
};
for (const e of all("body *")) {
  const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
  const style = getComputedStyle(e);
  if (!own || style.clipPath !== "none" || e.disabled) continue;
  const [a, b] = [light(parse(style.color)), light(ground(e))].sort((x, y) => y - x);
  const contrast = (a + 0.05) / (b + 0.05);
  if (contrast < 4.5) found.push(`contrast ${contrast.toFixed(2)}: ` + what(e));
}
return found;
"#;
