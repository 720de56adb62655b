-- What a journal holds from before names of causes and commands changed; added to a file of version 1.
INSERT INTO faults VALUES (1, 1, 1772874200.0, 'wheel-astray', 'top wheel at 1,206 rpm', 'a motor');
INSERT INTO faults VALUES (2, 1, 1772874300.0, 'angle-astray', 'tilt at 22.0 degrees', 'a screw');
INSERT INTO commands VALUES (2, 1, 1772874210.0, 'rephase', 'player', '127.0.0.1', '127.0.0.1 port 50001', 37, 'rephase');
INSERT INTO commands VALUES (3, 1, 1772874211.0, 'pairing coach', 'player', '127.0.0.1', '127.0.0.1 port 50001', NULL, NULL);
INSERT INTO commands VALUES (4, 1, 1772874212.0, 'paired', 'player', '127.0.0.1', '127.0.0.1 port 50001', NULL, NULL);
