// The report's button: the browser's own way to paper, or to a file.

const button = document.getElementById("print");
button.hidden = false;
button.onclick = () => window.print();
