"""Headless Chromium for page tests."""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import tempfile
from collections.abc import Iterator
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

BROWSER, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--ignore-gpu-blocklist",
    "--hide-scrollbars", "--force-device-scale-factor=1",
)  # fmt: skip


@contextlib.contextmanager
def browser(width: int = 1280, height: int = 900) -> Iterator[Any]:
    """Yield a driver of a fresh browser with its own empty profile."""
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    with tempfile.TemporaryDirectory() as profile:
        for flag in (*FLAGS, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        driver = webdriver.Chrome(options=options, service=Service(DRIVER))
        try:
            driver.set_script_timeout(120)
            resize(driver, width, height)
            # The browser's own first page asks for its own parts; that is not the page's doing.
            driver.get("about:blank")
            driver.get_log("performance")
            yield driver
        finally:
            driver.quit()


def resize(driver: Any, width: int, height: int) -> None:
    """Give the page itself this size, whatever the window's frame takes."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
    )


def prefer(driver: Any, scheme: str, motion: str = "reduce") -> None:
    """Ask for light or dark colours, and for calm motion."""
    features = [
        {"name": "prefers-color-scheme", "value": scheme},
        {"name": "prefers-reduced-motion", "value": motion},
    ]
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})


def requests_made(driver: Any) -> list[str]:
    """Return the addresses the page asked for, other than itself and data inside it."""
    asked = []
    for entry in driver.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            address = message["params"]["request"]["url"]
            if not address.startswith(("data:", "blob:", "file:")):
                asked.append(address)
    return asked


def troubles(driver: Any) -> list[str]:
    """Return what the console complained about."""
    entries = driver.get_log("browser")
    said = [e["message"] for e in entries if e["level"] in ("SEVERE", "WARNING")]
    # The scripts are data addresses, of which the console repeats megabytes.
    return [re.sub(r"data:[^ ]{40,}", "data:...", text)[:600] for text in said]
