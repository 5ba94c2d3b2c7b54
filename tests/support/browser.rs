//! A page in headless Chromium, over its DevTools protocol: what it asks for, what it complains of, and what a script finds in it.

use std::io::{BufRead, BufReader};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};
use tempfile::TempDir;
use tungstenite::stream::MaybeTlsStream;
use tungstenite::{Message, WebSocket};

pub struct Browser {
    process: Child,
    socket: WebSocket<MaybeTlsStream<TcpStream>>,
    session: String,
    last_id: u64,
    events: Vec<Value>,
    _profile: TempDir,
}

/// What a page did while it loaded.
#[derive(Debug, Default)]
pub struct PageLoad {
    pub requests: Vec<String>,
    pub complaints: Vec<String>,
}

impl Browser {
    /// Starts the browser with one page; none if no Chromium is installed.
    pub fn start() -> Option<Self> {
        let program = ["chromium", "chromium-browser", "google-chrome"].into_iter().find(|name| {
            Command::new(name).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok_and(|status| status.success())
        })?;
        let profile = TempDir::new().expect("a temporary folder");
        let mut process = Command::new(program)
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"])
            .args(["--disable-background-networking", "--disable-component-update", "--disable-sync", "--remote-debugging-port=0"])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .arg("about:blank")
            .stderr(Stdio::piped())
            .stdout(Stdio::null())
            .spawn()
            .expect("chromium starts");
        let mut lines = BufReader::new(process.stderr.take().expect("stderr is piped")).lines();
        let address = lines
            .by_ref()
            .map_while(Result::ok)
            .find_map(|line| line.strip_prefix("DevTools listening on ").map(str::to_owned))
            .expect("chromium says where its DevTools listen");
        // Keep reading, or the browser blocks once the pipe is full.
        std::thread::spawn(move || lines.for_each(drop));
        let (socket, _) = tungstenite::connect(address).expect("DevTools accept a connection");
        if let MaybeTlsStream::Plain(stream) = socket.get_ref() {
            stream.set_read_timeout(Some(Duration::from_secs(60))).expect("a time-out can be set");
        }
        let mut browser = Self { process, socket, session: String::new(), last_id: 0, events: Vec::new(), _profile: profile };
        let target = browser.call("Target.createTarget", json!({"url": "about:blank"}))["targetId"].clone();
        let attached = browser.call("Target.attachToTarget", json!({"targetId": target, "flatten": true}));
        browser.session = attached["sessionId"].as_str().expect("a session").to_owned();
        for domain in ["Page", "Runtime", "Log", "Network"] {
            browser.call(&format!("{domain}.enable"), json!({}));
        }
        Some(browser)
    }

    /// Opens a file at a width in CSS pixels, light or dark, and tells what it asked for and complained of.
    pub fn open(&mut self, file: &Path, width: u32, dark: bool) -> PageLoad {
        let metrics = json!({"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 700});
        self.call("Emulation.setDeviceMetricsOverride", metrics);
        let scheme = if dark { "dark" } else { "light" };
        self.call("Emulation.setEmulatedMedia", json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]}));
        self.events.clear();
        let url = format!("file://{}", file.canonicalize().expect("the page exists").display());
        self.call("Page.navigate", json!({"url": url}));
        while !self.events.iter().any(|event| event["method"] == "Page.loadEventFired") {
            let message = self.read();
            self.events.push(message);
        }
        // A round trip after load, so that late complaints are in.
        self.evaluate("new Promise(done => setTimeout(done, 200))");
        let mut load = PageLoad::default();
        for event in &self.events {
            let parameters = &event["params"];
            match event["method"].as_str().unwrap_or_default() {
                "Network.requestWillBeSent" => {
                    let requested = parameters["request"]["url"].as_str().unwrap_or_default().to_owned();
                    if requested != url {
                        load.requests.push(requested);
                    }
                }
                "Runtime.exceptionThrown" => load.complaints.push(parameters.to_string()),
                "Runtime.consoleAPICalled" if parameters["type"] == "error" => load.complaints.push(parameters.to_string()),
                "Log.entryAdded" if parameters["entry"]["level"] == "error" => load.complaints.push(parameters.to_string()),
                _ => {}
            }
        }
        load
    }

    /// Runs a script in the page and gives its value.
    pub fn evaluate(&mut self, script: &str) -> Value {
        let answer = self.call("Runtime.evaluate", json!({"expression": script, "returnByValue": true, "awaitPromise": true}));
        assert!(answer["exceptionDetails"].is_null(), "{script}: {answer}");
        answer["result"]["value"].clone()
    }

    /// Shows the open page as it is printed.
    pub fn print_media(&mut self) {
        self.call("Emulation.setEmulatedMedia", json!({"media": "print"}));
    }

    fn call(&mut self, method: &str, parameters: Value) -> Value {
        self.last_id += 1;
        let id = self.last_id;
        let mut message = json!({"id": id, "method": method, "params": parameters});
        if !self.session.is_empty() {
            message["sessionId"] = json!(self.session);
        }
        self.socket.send(Message::text(message.to_string())).expect("the browser listens");
        loop {
            let answer = self.read();
            if answer["id"] == id {
                assert!(answer["error"].is_null(), "{method}: {answer}");
                return answer["result"].clone();
            }
            self.events.push(answer);
        }
    }

    fn read(&mut self) -> Value {
        loop {
            if let Message::Text(text) = self.socket.read().expect("the browser answers") {
                return serde_json::from_str(&text).expect("DevTools speak JSON");
            }
        }
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}
