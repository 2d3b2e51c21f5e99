// A ruler held between two places: asks for its reading.

const by = (id) => document.getElementById(id);

// "250", "250,5" or "9 1/2" as a number; NaN for anything else.
export function reading(text) {
  const match = /^\s*(\d+(?:[.,]\d+)?)?(?:\s*(\d+)\/(\d+))?\s*$/.exec(text);
  if (!match || (!match[1] && !match[2])) return NaN;
  const part = match[2] ? Number(match[2]) / Number(match[3]) : 0;
  return Number((match[1] || "0").replace(",", ".")) + part;
}

// The length in mm, or null when she leaves it.
export function askLength() {
  const dialog = by("ruler"), field = by("length"), form = dialog.querySelector("form");
  field.value = "";
  by("ruler-fault").textContent = "";
  return new Promise((done) => {
    const submit = (event) => {
      if (event.submitter && event.submitter.value === "keep" && !(reading(field.value) > 0)) {
        event.preventDefault();
        by("ruler-fault").textContent = "Give a number, for instance 250 or 9 1/2.";
      }
    };
    const close = () => {
      form.removeEventListener("submit", submit);
      done(dialog.returnValue === "keep" ? reading(field.value) * Number(by("unit").value) : null);
    };
    form.addEventListener("submit", submit);
    dialog.addEventListener("close", close, { once: true });
    dialog.returnValue = "";
    dialog.showModal();
    field.focus();
  });
}
