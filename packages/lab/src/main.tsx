import { render } from "preact";
import "./theme.css";
import "./styles/page.css";
import "./styles/lab.css";
import "./styles/settings.css";
import "./styles/detail.css";
import "./styles/narrow.css";
import { runClock } from "./state/playback.js";
import { publishProbe } from "./state/probe.js";
import { watchRoute } from "./state/route.js";
import { watchTheme } from "./state/theme.js";
import { App } from "./view/App.js";

watchRoute();
watchTheme();
runClock();
publishProbe();
render(<App />, document.getElementById("page")!);
