// What the tab keeps over a reload. Where storage is off or full, the page goes on without it.

/** Return what was kept under a name, or null. */
export function stored(name) {
  try {
    return sessionStorage.getItem(name);
  } catch {
    return null;
  }
}

/** Keep a text under a name; returns whether that could be done. */
export function store(name, text) {
  try {
    sessionStorage.setItem(name, text);
    return true;
  } catch {
    return false;
  }
}
