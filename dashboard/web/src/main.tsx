import { render } from 'preact';
import { watchDoor } from './door/watch';
import { Live } from './live/live';
import './look/tokens.css';
import './look/page.css';
import './look/drawing.css';
import './look/alarm.css';
import { Page } from './page';
import { followAddress } from './route';
import { applyTheme } from './settings';

const live = new Live(location);
applyTheme(document.documentElement);
followAddress(window);
live.start();
watchDoor();
const host = document.getElementById('page');
if (host) render(<Page live={live} />, host);
