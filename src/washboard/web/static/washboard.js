// Small helpers of the pages: figures as PNG, to a file or to the clipboard; the address keeps where you are.
(() => {
  const draw = async (url) => {
    const image = new Image();
    image.src = url;
    await image.decode();
    const scale = 2.5, canvas = document.createElement("canvas");
    canvas.width = Math.round(image.naturalWidth * scale);
    canvas.height = Math.round(image.naturalHeight * scale);
    const pen = canvas.getContext("2d");
    pen.fillStyle = "#fff";
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(image, 0, 0, canvas.width, canvas.height);
    return new Promise((done) => canvas.toBlob(done, "image/png"));
  };
  window.washboard = {
    async png(url, name) {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(await draw(url));
      link.download = name;
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 5000);
    },
    async copy(url) {
      await navigator.clipboard.write([new ClipboardItem({ "image/png": draw(url) })]);
    },
    // a figure as large as the window, closed by Escape or its button
    large(url, title) {
      const box = document.createElement("dialog"), head = document.createElement("div"), name = document.createElement("span"), close = document.createElement("button"), image = new Image();
      box.className = "wb-large"; box.setAttribute("aria-label", title); name.textContent = title; close.textContent = "Close"; close.type = "button";
      image.alt = title; image.src = url + (document.body.classList.contains("body--dark") ? "&night=true" : "");
      image.onload = () => box.style.setProperty("--shape", image.naturalWidth / image.naturalHeight);
      const from = document.activeElement;
      close.onclick = () => box.close(); box.onclick = (event) => { if (event.target === box) box.close(); };
      box.onclose = () => { box.remove(); from?.focus(); };
      head.append(name, close); box.append(head, image); document.body.append(box); box.showModal();
    },
    place(changes) {
      const address = new URL(location.href);
      for (const [key, value] of Object.entries(changes)) {
        address.searchParams.delete(key);
        if (Array.isArray(value)) value.forEach((one) => address.searchParams.append(key, one));
        else if (value !== null && value !== "") address.searchParams.set(key, value);
      }
      history.replaceState(history.state, "", address);
      clearTimeout(window.washboard.later);
      window.washboard.later = setTimeout(() => {
        fetch("/where", { method: "POST", headers: { "content-type": "text/plain" }, body: address.pathname + address.search });
      }, 400);
    },
  };
  // Alt + arrow-like keys walk the lane without the mouse: "[" the step before, "]" the step after.
  document.addEventListener("keydown", (event) => {
    if (event.target.closest("input, textarea, select, [contenteditable]") || event.ctrlKey || event.metaKey || event.altKey) return;
    const links = [...document.querySelectorAll(".wb-lane a")];
    const here = links.findIndex((link) => link.getAttribute("aria-current") === "page");
    if (event.key === "[" && here > 0) links[here - 1].click();
    if (event.key === "]" && here >= 0 && here < links.length - 1) links[here + 1].click();
  });
})();
